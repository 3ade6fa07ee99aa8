"""Events as the diagnosis makes them: raised, amended, returned, and acknowledged by people.

Each function runs in its caller's transaction, so that an event and what is owed of it change together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import apsw

from monitor.diagnosis.causes import EXPLAINS
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.timings import CHATTER_SPAN, CHATTERS
from monitor.errors import StoreError
from monitor.service.lifecycle import cause_among, holds_back, is_urgent, silence, step
from monitor.service.lifecycle_acts import Acknowledge, Amend, Do, Done, Explain, Return
from monitor.service.lifecycle_notice import chatter_notice
from monitor.service.lifecycle_records import SERVICE, Act
from monitor.service.ports import Alert, Event, EventChange, EventState
from monitor.store import eventrows, outbox
from monitor.store.tables import microseconds


def open_event(db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
    """Add an event and what is owed to the channels; None where (site, fault, raised) is known."""
    state = EventState.ACTIVE_UNACKNOWLEDGED
    raises = _raises(db, site, finding) + 1
    held = holds_back(finding, raises)
    row = db.execute(
        "INSERT INTO event (site, fault, raised_us, state, finding, raises, held) VALUES (?, ?, ?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING RETURNING number",
        (
            site,
            finding.fault.value,
            microseconds(finding.raised),
            state.value,
            eventrows.encode(finding),
            raises,
            int(held),
        ),
    ).fetchone()
    if row is None:
        return None
    number = int(row[0])
    why = "raised" if raises < CHATTERS else f"raised, the {raises}th time in a week"
    eventrows.audit(db, number, EventChange(finding.raised, None, state, SERVICE, why, Act.RAISED))
    event = _explained(db, number, finding.raised)
    if raises == CHATTERS:
        alerts = {channel: chatter_notice(alert, finding) for channel, alert in alerts.items()}
    tell(db, event, alerts)
    return event


def tell(db: apsw.Connection, event: Event, alerts: Mapping[str, Alert]) -> None:
    """Owe alerts of an event, or withhold them while people are not told of it."""
    (outbox.owe if silence(event) is None else outbox.withhold)(db, event.number, alerts)


def amend_event(
    db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]
) -> Event | None:
    """Put a finding with more facts in the place of an active event's; None where nothing is new."""
    event = _known(db, site, finding)
    after = None if event is None else _do(db, event, Amend(finding))
    if after is not None:
        tell(db, after, alerts)
    return after


def redate_event(
    db: apsw.Connection, site: str, old: Finding, finding: Finding, alerts: Mapping[str, Alert]
) -> Event | None:
    """Put a finding with another date in the place of an active event's; who has seen it and was told of it stays.

    None where there is no such event, or the finding has one of its own.
    """
    event = _known(db, site, old)
    if event is None or not event.state.active or _known(db, site, finding) is not None:
        return None
    db.execute(
        "UPDATE event SET raised_us = ?, finding = ? WHERE number = ?",
        (microseconds(finding.raised), eventrows.encode(finding), event.number),
    )
    why = "found to have been raised at another time"
    eventrows.audit(
        db, event.number, EventChange(finding.raised, event.state, event.state, SERVICE, why, Act.AMENDED)
    )
    after = eventrows.one(db, event.number)
    if after is not None:
        tell(db, after, alerts)
    return after


def return_event(
    db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]
) -> Event | None:
    """Mark the event of an ended finding as returned to normal; None where unknown or ended already.

    People who were told of it are told that it is over, whatever keeps the event quiet by now.
    """
    if finding.ended is None:
        raise StoreError(f"the finding {finding.fault} of {site} has not ended: its event stays active")
    event = _known(db, site, finding)
    if event is None:
        return None
    untold = outbox.untold(db, event.number)
    after = _do(db, event, Return(finding))
    if after is None:
        return None
    if not untold:
        outbox.owe(db, event.number, alerts)
    _explain_anew(db, after, finding.ended)
    return after


def acknowledge(db: apsw.Connection, number: int, who: str, when: float) -> Event | None:
    """Note that a person has seen an event; the first one counts. None if there is no such event."""
    event = eventrows.one(db, number)
    if event is None:
        return None
    return _do(db, event, Acknowledge(who, when)) or event


def select_events(db: apsw.Connection, site: str | None, *, open_only: bool, limit: int) -> list[Event]:
    """Return events, newest first; ``open_only`` leaves out those that are normal again and acknowledged."""
    which = [
        *(
            ["e.site = :site"] if site is not None else []
        ),  # a condition that is there uses the index of sites
        *(["e.state <> 'normal'"] if open_only else []),
    ]
    where = f"WHERE {' AND '.join(which)}" if which else ""
    values = {"site": site, "limit": max(limit, 0)}
    return eventrows.select(db, f"{where} ORDER BY e.number DESC LIMIT :limit", values)


def select_raised(db: apsw.Connection, since: float, site: str | None) -> list[Event]:
    """Return the events raised since ``since`` (it may be infinite) and all that stand, oldest first."""
    return eventrows.select(
        db,
        "WHERE (:site IS NULL OR e.site = :site) AND (e.raised_us >= :since OR e.state GLOB 'active*') "
        "ORDER BY e.raised_us, e.number",
        {"site": site, "since": since * 1e6},
    )


def count_active(db: apsw.Connection) -> dict[str, int]:
    """Return how many events stand of each fault."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT fault, count(*) FROM event WHERE state GLOB 'active*' GROUP BY fault"
    )
    return dict(rows)


def _raises(db: apsw.Connection, site: str, finding: Finding) -> int:
    """Return how often a fault was raised at a site in the days before this raise."""
    until = microseconds(finding.raised)
    count: Any = db.execute(
        "SELECT count(*) FROM event WHERE site = ? AND fault = ? AND raised_us > ? AND raised_us < ?",
        (site, finding.fault.value, until - microseconds(CHATTER_SPAN), until),
    ).get
    return int(count)


def _known(db: apsw.Connection, site: str, finding: Finding) -> Event | None:
    where = "WHERE e.site = ? AND e.fault = ? AND e.raised_us = ?"
    key = (site, finding.fault.value, microseconds(finding.raised))
    return next(iter(eventrows.select(db, where, key)), None)


def _do(db: apsw.Connection, event: Event, do: Do) -> Event | None:
    """Perform an act that is never refused; None where it changes nothing."""
    done = step(event, do)
    return eventrows.write(db, event, done) if isinstance(done, Done) else None


def _explained(db: apsw.Connection, number: int, when: float) -> Event:
    """Return a new event after it has been told apart, by first causes, from those that stand at its site."""
    event = eventrows.one(db, number)
    if event is None:
        raise StoreError(f"event {number} is not there right after it was written")
    others = [other for other in eventrows.standing(db, event.site) if other.number != number]
    cause = cause_among(event.finding.fault, others)
    if cause is not None and not is_urgent(event):
        event = _do(db, event, Explain(cause.number, when)) or event
    for other in others:
        if other.cause is None and other.finding.fault in EXPLAINS.get(event.finding.fault, frozenset()):
            _do(db, other, Explain(number, when))
    return event


def _explain_anew(db: apsw.Connection, over: Event, when: float) -> None:
    """Look for another first cause of the events that one which is over has explained."""
    for event in eventrows.select(db, "WHERE e.explained_by = ? AND e.state GLOB 'active*'", (over.number,)):
        others = (other for other in eventrows.standing(db, event.site) if other.number != event.number)
        cause = cause_among(event.finding.fault, others)
        _do(db, event, Explain(None if cause is None else cause.number, when))
