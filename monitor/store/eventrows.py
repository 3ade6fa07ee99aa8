"""Rows of events: reading them with all that keeps them quiet, and writing what an act has made of one."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from typing import Any, Final

import apsw
import msgspec

from monitor.diagnosis.faults import Finding
from monitor.readings import Point
from monitor.service.lifecycle import covers, silence
from monitor.service.lifecycle_acts import Done
from monitor.service.lifecycle_records import Act, OutOfService, Shelf
from monitor.service.ports import Event, EventChange, EventState
from monitor.store import outbox

LOG = logging.getLogger("cushionwatch.store")

EVENT: Final = (
    "SELECT e.number, e.site, e.finding, e.state, e.explained_by, e.raises, e.held, "
    "s.since, s.until, s.who, s.why, s.urgent FROM event AS e LEFT JOIN shelf AS s ON s.event = e.number"
)
_OUT: Final = (
    "SELECT number, site, point, since, who, why, urgent_until, ended, ended_who, ended_why "
    "FROM out_of_service"
)


def select(db: apsw.Connection, where: str, values: object = ()) -> list[Event]:
    """Return the events of a condition and an order, in SQL on ``e``; one that cannot be read is left out."""
    rows: Iterable[tuple[Any, ...]] = db.execute(f"{EVENT} {where}", values)  # type: ignore[arg-type]
    found = [event for row in rows if (event := _read(db.filename, row)) is not None]
    outs = select_outs(db) if any(event.state.active for event in found) else []
    return [_placed(event, outs) for event in found]


_MOST_NUMBER: Final = 1 << 63
"""Beyond what a database counts."""


def one(db: apsw.Connection, number: int) -> Event | None:
    """Return an event by its number; None where there is none, and for a number that none can have."""
    if not 0 < number < _MOST_NUMBER:
        return None
    return next(iter(select(db, "WHERE e.number = ?", (number,))), None)


def standing(db: apsw.Connection, site: str) -> list[Event]:
    """Return the events of a site whose fault stands, oldest first."""
    return select(db, "WHERE e.site = ? AND e.state GLOB 'active*' ORDER BY e.number", (site,))


def select_outs(db: apsw.Connection, where: str = "ended IS NULL", values: object = ()) -> list[OutOfService]:
    """Return what is out of service, longest first."""
    rows: Iterable[tuple[Any, ...]] = db.execute(f"{_OUT} WHERE {where} ORDER BY since, number", values)  # type: ignore[arg-type]
    return [
        OutOfService(number, site, Point(point) if point else None, *rest)
        for number, site, point, *rest in rows
    ]


def write(db: apsw.Connection, before: Event, done: Done) -> Event:
    """Write down what an act has made of an event, and owe or drop what was withheld of it."""
    after = done.event
    db.execute(
        "UPDATE event SET state = ?, finding = ?, explained_by = ?, held = ? WHERE number = ?",
        (after.state.value, encode(after.finding), after.cause, int(after.held), after.number),
    )
    if after.shelf != before.shelf:
        db.execute("DELETE FROM shelf WHERE event = ?", (after.number,))
        if after.shelf is not None:
            put_on_shelf(db, after.number, after.shelf)
    change = EventChange(done.when, before.state, after.state, done.who, done.why, done.act)
    audit(db, after.number, change)
    settle(db, after)
    return after


def settle(db: apsw.Connection, event: Event) -> None:
    """Owe what was withheld of an event that may be told now, and drop that of one that is over."""
    if not event.state.active:
        outbox.drop(db, event.number)
    elif silence(event) is None:
        outbox.release(db, event.number)


def put_on_shelf(db: apsw.Connection, number: int, shelf: Shelf) -> None:
    """Write down a shelf."""
    db.execute(
        "INSERT INTO shelf (event, since, until, who, why, urgent) VALUES (?, ?, ?, ?, ?, ?)",
        (number, shelf.since, shelf.until, shelf.who, shelf.why, int(shelf.urgent)),
    )


def audit(db: apsw.Connection, number: int, change: EventChange) -> None:
    """Add a line to the audit trail of an event."""
    before = None if change.before is None else change.before.value
    act = "" if change.act is None else change.act.value
    db.execute(
        "INSERT INTO event_change (event, time, before, after, who, why, act) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (number, change.time, before, change.after.value, change.who, change.why, act),
    )


def select_changes(db: apsw.Connection, number: int) -> list[EventChange]:
    """Return the audit trail of an event, oldest first."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT time, before, after, who, why, act FROM event_change WHERE event = ? ORDER BY id", (number,)
    )
    return [
        EventChange(
            time, None if before is None else EventState(before), EventState(after), who, why,
            Act(act) if act else None,
        )
        for time, before, after, who, why, act in rows
    ]  # fmt: skip


def encode(finding: Finding) -> str:
    """Return a finding as text."""
    # Numbers of numpy are no floats to the encoder; they are turned into plain ones.
    return msgspec.json.encode(finding, enc_hook=float).decode()


def _event(row: tuple[Any, ...]) -> Event:
    number, site, finding, state, cause, raises, held, since, until, who, why, urgent = row
    shelf = None if since is None else Shelf(since, until, who, why, bool(urgent))
    found = msgspec.json.decode(finding, type=Finding)
    return Event(number, site, found, EventState(state), shelf, cause, None, raises, bool(held))


def _read(file: str, row: tuple[Any, ...]) -> Event | None:
    """Return the event of a row; None for one that cannot be read: it must not stop all others for ever."""
    try:
        return _event(row)
    except (TypeError, ValueError) as error:
        _tell(file, row[0], row[1], str(error))
        return None


@cache  # told once: the row is met at every step
def _tell(file: str, number: int, site: str, why: str) -> None:
    LOG.error(
        "event %d of site %s in %s cannot be read (%s) and is left out; all else works on. "
        "`cushionwatch restore` brings a backup back, the service stopped",
        number, site, file, why,
    )  # fmt: skip


def _placed(event: Event, outs: Iterable[OutOfService]) -> Event:
    """Return an event with the work that keeps it quiet; of several that which keeps urgent ones quiet too."""
    if not event.state.active:
        return event
    found = [out for out in outs if covers(out, event.site, event.finding.fault)]
    if not found:
        return event
    return replace(event, out=max(found, key=lambda out: out.urgent_until is not None))
