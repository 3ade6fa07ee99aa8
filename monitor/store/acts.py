"""What people do to events and sites: shelves, work on site, and what ends by itself; each in its caller's transaction.

The audit trail and the outbox change in the same transaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import apsw

from monitor.diagnosis.timings import CHATTER_HOLD
from monitor.errors import InputError
from monitor.readings import Point
from monitor.service.lifecycle import covers, step
from monitor.service.lifecycle_acts import Do, Done, Lapse, Refusal, Shelve, Unshelve
from monitor.service.lifecycle_records import SERVICE, Act, AuditLine, OutOfService, Shelf
from monitor.service.ports import Event, EventChange
from monitor.store import eventrows
from monitor.store.tables import microseconds


def shelve(db: apsw.Connection, number: int, shelf: Shelf) -> Event | None:
    """Put an event on a shelf; None if there is no such event, `InputError` where it cannot be."""
    return _act(db, number, Shelve(shelf))


def unshelve(db: apsw.Connection, number: int, who: str, when: float, why: str) -> Event | None:
    """Take an event off its shelf; None if there is no such event, `InputError` where it is on none."""
    return _act(db, number, Unshelve(who, when, why))


def take_out(db: apsw.Connection, out: OutOfService) -> OutOfService:
    """Take a site or a point out of service; `InputError` where it is already."""
    point = out.point.value if out.point else ""
    known = eventrows.select_outs(db, "ended IS NULL AND site = ? AND point = ?", (out.site, point))
    if known:
        raise InputError(
            f"{_place(out.site, out.point)} is out of service already, since {known[0].who} took it out: "
            f"{known[0].why}; put it back first"
        )
    row: Any = db.execute(
        "INSERT INTO out_of_service (site, point, since, who, why, urgent_until) VALUES (?, ?, ?, ?, ?, ?) "
        "RETURNING number",
        (out.site, point, out.since, out.who, out.why, out.urgent_until),
    ).get
    taken = replace(out, number=int(row))
    for event in _covered(db, taken):
        _note(db, event, out.since, out.who, out.why, Act.TAKEN_OUT)
    return taken


def put_back(
    db: apsw.Connection, site: str, point: Point | None, who: str, when: float, why: str
) -> OutOfService:
    """Put a site or a point back in service and owe what was withheld; `InputError` where it is not out."""
    name = point.value if point else ""
    known = eventrows.select_outs(db, "ended IS NULL AND site = ? AND point = ?", (site, name))
    if not known:
        now = [_place(out.site, out.point) for out in eventrows.select_outs(db)]
        listed = f"; out of service are {', '.join(now)}" if now else "; nothing is"
        raise InputError(f"{_place(site, point)} is not out of service{listed}")
    out = replace(known[0], ended=when, ended_who=who, ended_why=why)
    db.execute(
        "UPDATE out_of_service SET ended = ?, ended_who = ?, ended_why = ? WHERE number = ?",
        (when, who, why, out.number),
    )
    for event in _covered(db, out):
        _note(db, event, when, who, why, Act.PUT_BACK)
    return out


def lapsing(db: apsw.Connection, now: float) -> bool:
    """Tell whether anything has run out by ``now``."""
    late = microseconds(now - CHATTER_HOLD)
    found: Any = db.execute(
        "SELECT EXISTS (SELECT 1 FROM shelf WHERE until <= :now) "
        "OR EXISTS (SELECT 1 FROM out_of_service WHERE ended IS NULL AND urgent_until <= :now) "
        "OR EXISTS (SELECT 1 FROM event WHERE state GLOB 'active*' AND held AND raised_us <= :late)",
        {"now": now, "late": late},
    ).get
    return bool(found)


def lapse(db: apsw.Connection, now: float) -> int:
    """End what has run out by ``now``; return how much."""
    count = 0
    late = microseconds(now - CHATTER_HOLD)
    for event in eventrows.select(
        db,
        "WHERE s.until <= :now OR (e.state GLOB 'active*' AND e.held AND e.raised_us <= :late) ORDER BY e.number",
        {"now": now, "late": late},
    ):
        before, done = event, step(event, Lapse(now))
        while isinstance(done, Done):
            before = eventrows.write(db, before, done)
            count += 1
            done = step(before, Lapse(now))
    for out in eventrows.select_outs(db, "ended IS NULL AND urgent_until <= ?", (now,)):
        db.execute("UPDATE out_of_service SET urgent_until = NULL WHERE number = ?", (out.number,))
        count += 1
        for event in _covered(db, out):
            _note(db, event, now, SERVICE, "urgent events are told again", Act.RELEASED)
    return count


def select_audit(db: apsw.Connection, since: float, site: str | None) -> list[AuditLine]:
    """Return what was done since ``since``, oldest first; lines of a site as a whole have no event."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT c.time, e.site, e.number, e.fault, c.act, coalesce(c.before, ''), c.after, c.who, c.why "
        "FROM event_change AS c JOIN event AS e ON e.number = c.event "
        "WHERE c.time >= :since AND (:site IS NULL OR e.site = :site) ORDER BY c.id",
        {"since": since, "site": site},
    )
    lines = [AuditLine(*row) for row in rows]
    for out in eventrows.select_outs(db, ":site IS NULL OR site = :site", {"site": site}):
        what = f"point {out.point.value}: " if out.point else ""
        lines += [
            AuditLine(when, out.site, None, "", act.value, "", "", who, f"{what}{why}")
            for when, act, who, why in (
                (out.since, Act.TAKEN_OUT, out.who, out.why),
                (out.ended, Act.PUT_BACK, out.ended_who, out.ended_why),
            )
            if when is not None and when >= since
        ]
    return sorted(lines, key=lambda line: line.time)


def _act(db: apsw.Connection, number: int, do: Do) -> Event | None:
    event = eventrows.one(db, number)
    if event is None:
        return None
    done = step(event, do)
    if isinstance(done, Refusal):
        raise InputError(done.words)
    return event if done is None else eventrows.write(db, event, done)


def _covered(db: apsw.Connection, out: OutOfService) -> list[Event]:
    return [
        event for event in eventrows.standing(db, out.site) if covers(out, event.site, event.finding.fault)
    ]


def _note(db: apsw.Connection, event: Event, when: float, who: str, why: str, act: Act) -> None:
    """Add a line to the trail of an event whose site was taken out or put back, and settle what is withheld."""
    eventrows.audit(db, event.number, EventChange(when, event.state, event.state, who, why, act))
    eventrows.settle(db, event)


def _place(site: str, point: Point | None) -> str:
    return f"site {site!r}" if point is None else f"{point.value} of site {site!r}"
