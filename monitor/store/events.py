"""Events, their audit trail and the outbox: rows in and out, each function in its caller's transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import apsw
import msgspec

from monitor.diagnosis.faults import Finding
from monitor.errors import StoreError
from monitor.service.ports import Alert, Delivery, Event, EventChange, EventState
from monitor.store.tables import microseconds

SERVICE: Final = "service"
"""Who made a change that no person made, in the audit trail."""

_AFTER_ACKNOWLEDGE: Final = {
    EventState.ACTIVE_UNACKNOWLEDGED: EventState.ACTIVE_ACKNOWLEDGED,
    EventState.RETURNED_UNACKNOWLEDGED: EventState.NORMAL,
}
_AFTER_RETURN: Final = {
    EventState.ACTIVE_UNACKNOWLEDGED: EventState.RETURNED_UNACKNOWLEDGED,
    EventState.ACTIVE_ACKNOWLEDGED: EventState.NORMAL,
}
_COLUMNS: Final = "SELECT number, site, finding, state FROM event"
_DELIVERY: Final = (
    "SELECT id, key, site, title, body, severity, created, event, channel, attempts, due, last_error "
    "FROM delivery AS d"
)


def open_event(db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
    """Add an event and what is owed to the channels; None where (site, fault, raised) is known."""
    state = EventState.ACTIVE_UNACKNOWLEDGED
    row = db.execute(
        "INSERT INTO event (site, fault, raised_us, state, finding) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT DO NOTHING RETURNING number",
        (site, finding.fault.value, microseconds(finding.raised), state.value, _encode(finding)),
    ).fetchone()
    if row is None:
        return None
    number = int(row[0])
    _audit(db, number, finding.raised, (None, state), SERVICE, "raised")
    _owe(db, number, alerts)
    return Event(number, site, finding, state)


def _active(db: apsw.Connection, site: str, finding: Finding) -> Event | None:
    row = db.execute(
        _COLUMNS + " WHERE site = ? AND fault = ? AND raised_us = ?",
        (site, finding.fault.value, microseconds(finding.raised)),
    ).fetchone()
    event = None if row is None else _event(row)
    return None if event is None or event.state not in _AFTER_RETURN else event


def amend_event(
    db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]
) -> Event | None:
    """Put a finding with more facts in the place of an active event's; None where nothing is new."""
    event = _active(db, site, finding)
    if event is None or not finding.evidence.keys() - event.finding.evidence.keys():
        return None
    db.execute("UPDATE event SET finding = ? WHERE number = ?", (_encode(finding), event.number))
    _audit(db, event.number, finding.raised, (event.state, event.state), SERVICE, "amended with new facts")
    _owe(db, event.number, alerts)
    return Event(event.number, site, finding, event.state)


def return_event(
    db: apsw.Connection, site: str, finding: Finding, alerts: Mapping[str, Alert]
) -> Event | None:
    """Mark the event of an ended finding as returned to normal; None where unknown or ended already."""
    if finding.ended is None:
        raise StoreError(f"the finding {finding.fault} of {site} has not ended: its event stays active")
    event = _active(db, site, finding)
    if event is None:
        return None
    after = _AFTER_RETURN[event.state]
    db.execute(
        "UPDATE event SET state = ?, finding = ? WHERE number = ?",
        (after.value, _encode(finding), event.number),
    )
    _audit(db, event.number, finding.ended, (event.state, after), SERVICE, "returned to normal")
    _owe(db, event.number, alerts)
    return Event(event.number, site, finding, after)


def acknowledge(db: apsw.Connection, number: int, who: str, when: float) -> Event | None:
    """Note that a person has seen an event; the first one counts. None if there is no such event."""
    row = db.execute(_COLUMNS + " WHERE number = ?", (number,)).fetchone()
    if row is None:
        return None
    event = _event(row)
    after = _AFTER_ACKNOWLEDGE.get(event.state)
    if after is None:
        return event
    db.execute("UPDATE event SET state = ? WHERE number = ?", (after.value, number))
    _audit(db, number, when, (event.state, after), who, "acknowledged")
    return Event(number, event.site, event.finding, after)


def select_events(db: apsw.Connection, site: str | None, *, open_only: bool, limit: int) -> list[Event]:
    """Return events, newest first; ``open_only`` leaves out those that are normal again and acknowledged."""
    rows = db.execute(
        _COLUMNS + " WHERE (:site IS NULL OR site = :site) AND (NOT :open OR state <> 'normal') "
        "ORDER BY number DESC LIMIT :limit",
        {"site": site, "open": int(open_only), "limit": max(limit, 0)},
    )
    return [_event(row) for row in rows]


def select_changes(db: apsw.Connection, number: int) -> list[EventChange]:
    """Return the audit trail of an event, oldest first."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT time, before, after, who, why FROM event_change WHERE event = ? ORDER BY id", (number,)
    )
    return [
        EventChange(time, None if before is None else EventState(before), EventState(after), who, why)
        for time, before, after, who, why in rows
    ]


def select_due(db: apsw.Connection, now: float, limit: int, channel: str | None) -> list[Delivery]:
    """Return what is owed and due, oldest first; of one event on one channel only the oldest.

    So "it is over" never overtakes "it has begun", and one event that fails holds up no other.
    """
    rows = db.execute(
        _DELIVERY  # noqa: S608  a constant
        + " WHERE state = 'owed' AND due <= :now AND (:channel IS NULL OR channel = :channel) "
        "AND NOT EXISTS (SELECT 1 FROM delivery AS e WHERE e.state = 'owed' AND e.channel = d.channel "
        "AND e.event = d.event AND e.id < d.id) ORDER BY id LIMIT :limit",
        {"now": now, "channel": channel, "limit": max(limit, 0)},
    )
    return [_delivery(row) for row in rows]


def select_dead(db: apsw.Connection) -> list[Delivery]:
    """Return what was given up, oldest first."""
    return [_delivery(row) for row in db.execute(_DELIVERY + " WHERE state = 'dead' ORDER BY id")]


def count_owed(db: apsw.Connection) -> tuple[int, float | None]:
    """Return how many alerts are owed, and when the oldest of them was made in epoch seconds."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT count(*), min(created) FROM delivery WHERE state = 'owed'"
    )
    count, oldest = next(iter(rows))
    return int(count), oldest


def count_active(db: apsw.Connection) -> dict[str, int]:
    """Return how many events stand of each fault."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT fault, count(*) FROM event WHERE state LIKE 'active%' GROUP BY fault"
    )
    return dict(rows)


def strike_off(db: apsw.Connection, delivery: int, when: float) -> None:
    """Note that a channel has an alert."""
    db.execute("UPDATE delivery SET state = 'delivered', done = ? WHERE id = ?", (when, delivery))


def note_failure(db: apsw.Connection, delivery: int, error: str, due: float | None) -> None:
    """Count a failed attempt; without a next time the delivery is dead."""
    db.execute(
        "UPDATE delivery SET attempts = attempts + 1, last_error = :error, due = coalesce(:due, due), "
        "state = CASE WHEN :due IS NULL THEN 'dead' ELSE 'owed' END WHERE id = :id AND state = 'owed'",
        {"error": error, "due": due, "id": delivery},
    )


def _owe(db: apsw.Connection, number: int, alerts: Mapping[str, Alert]) -> None:
    # Due at once (0): a clock that is set back must not hold an alert.
    db.executemany(
        "INSERT INTO delivery (event, channel, key, site, title, body, severity, created, state) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'owed') ON CONFLICT DO NOTHING",
        [
            (number, channel, alert.key, alert.site, alert.title, alert.body, alert.severity, alert.created)
            for channel, alert in alerts.items()
        ],
    )


def _audit(
    db: apsw.Connection,
    number: int,
    when: float,
    states: tuple[EventState | None, EventState],
    who: str,
    why: str,
) -> None:
    before, after = states
    db.execute(
        "INSERT INTO event_change (event, time, before, after, who, why) VALUES (?, ?, ?, ?, ?, ?)",
        (number, when, None if before is None else before.value, after.value, who, why),
    )


def _encode(finding: Finding) -> str:
    # Numbers of numpy are no floats to the encoder; they are turned into plain ones.
    return msgspec.json.encode(finding, enc_hook=float).decode()


def _event(row: tuple[Any, ...]) -> Event:
    number, site, finding, state = row
    try:
        return Event(number, site, msgspec.json.decode(finding, type=Finding), EventState(state))
    except ValueError as error:
        raise StoreError(
            f"event {number} in the store cannot be read ({error}): was it written by another version?"
        ) from error


def _delivery(row: tuple[Any, ...]) -> Delivery:
    number, key, site, title, body, severity, created, event, channel, attempts, due, error = row
    alert = Alert(key, site, title, body, severity, created, event)
    return Delivery(number, alert, channel, attempts, due, error)
