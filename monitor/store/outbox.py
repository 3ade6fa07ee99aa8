"""The outbox: alerts that are owed to a channel, and those withheld while nobody is told of their event.

Each function runs in its caller's transaction, the one that changes the event.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import apsw

from monitor.service.lifecycle_records import SERVICE, Act
from monitor.service.ports import NEVER, Alert, AlertKind, Delivery, Wait

DELIVERY: Final = (
    "SELECT d.id, d.key, d.site, d.title, d.body, d.severity, d.created, d.event, d.kind, d.urgent, "
    "d.channel, d.attempts, d.due, d.last_error FROM delivery AS d"
)
COLUMNS: Final = 14
"""Columns of `DELIVERY`."""
_ALERT: Final = "event, channel, key, site, title, body, severity, created, kind, urgent, waits, due"
_MARKS: Final = "?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?"


def select_due(db: apsw.Connection, now: float, limit: int, channel: str | None) -> list[Delivery]:
    """Return what is owed and due, oldest first; of one event on one channel only the oldest.

    So "it is over" never overtakes "it has begun", and one event that fails holds up no other. What is urgent
    goes before all else.
    """
    rows = db.execute(
        DELIVERY  # noqa: S608  a constant
        + " WHERE state = 'owed' AND due <= :now AND (:channel IS NULL OR channel = :channel) "
        "AND NOT EXISTS (SELECT 1 FROM delivery AS e WHERE e.state = 'owed' AND e.channel = d.channel "
        "AND e.event = d.event AND e.id < d.id) ORDER BY urgent DESC, id LIMIT :limit",
        {"now": now, "channel": channel, "limit": max(limit, 0)},
    )
    return [delivery(row) for row in rows]


def select_dead(db: apsw.Connection) -> list[Delivery]:
    """Return what was given up, oldest first."""
    return [delivery(row) for row in db.execute(DELIVERY + " WHERE state = 'dead' ORDER BY id")]


def count_owed(db: apsw.Connection) -> tuple[int, float | None]:
    """Return how many alerts are owed, and when the oldest of them was made in epoch seconds.

    What waits for quiet hours to end, or for a digest, is not overdue.
    """
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT count(*), min(created) FROM delivery WHERE state = 'owed' AND waits NOT IN ('quiet', 'digest')"
    )
    count, oldest = next(iter(rows))
    return int(count), oldest


def strike_off(db: apsw.Connection, number: int, when: float) -> None:
    """Note that a channel has an alert, also in the audit trail of each event that it tells of."""
    db.execute("UPDATE delivery SET state = 'delivered', done = ? WHERE id = ?", (when, number))
    # What was merged into a digest may itself be a group: two steps are enough.
    db.execute(
        "INSERT INTO event_change (event, time, before, after, who, why, act) "
        "SELECT DISTINCT e.number, :when, e.state, e.state, :who, 'told ' || d.channel, :act "
        "FROM delivery AS d JOIN event AS e ON e.number = d.event WHERE d.id = :id OR d.merged_into = :id "
        "OR d.merged_into IN (SELECT id FROM delivery WHERE merged_into = :id)",
        {"when": when, "who": SERVICE, "act": Act.TOLD.value, "id": number},
    )


def note_failure(db: apsw.Connection, number: int, error: str, due: float | None) -> None:
    """Count a failed attempt; without a next time the delivery is dead."""
    db.execute(
        "UPDATE delivery SET attempts = attempts + 1, last_error = :error, due = coalesce(:due, due), "
        "state = CASE WHEN :due IS NULL THEN 'dead' ELSE 'owed' END WHERE id = :id AND state = 'owed'",
        {"error": error, "due": due, "id": number},
    )


def owe(db: apsw.Connection, number: int, alerts: Mapping[str, Alert]) -> None:
    """Owe alerts to their channels, each once for its key; due at once, or when the recipient's manner lets them."""
    for channel, alert in alerts.items():
        if alert.kind is AlertKind.ENDED_IF_TOLD and not _heard(db, number, channel):
            continue
        db.execute(
            f"INSERT INTO delivery ({_ALERT}, state) VALUES ({_MARKS}, 'owed') ON CONFLICT DO NOTHING",  # noqa: S608
            row_of(number, channel, alert),
        )


def withhold(db: apsw.Connection, number: int, alerts: Mapping[str, Alert]) -> None:
    """Keep alerts back until their event may be told."""
    db.executemany(
        f"INSERT INTO withheld ({_ALERT}) VALUES ({_MARKS}) ON CONFLICT DO NOTHING",  # noqa: S608
        [row_of(number, channel, alert) for channel, alert in alerts.items()],
    )


def release(db: apsw.Connection, number: int) -> None:
    """Owe what was withheld of an event, in the order in which it was."""
    db.execute(
        f"INSERT INTO delivery ({_ALERT}, state) SELECT {_ALERT}, 'owed' FROM withheld "  # noqa: S608
        "WHERE event = ? ORDER BY id ON CONFLICT DO NOTHING",
        (number,),
    )
    drop(db, number)


def drop(db: apsw.Connection, number: int) -> None:
    """Forget what was withheld of an event: it is over."""
    db.execute("DELETE FROM withheld WHERE event = ?", (number,))


def untold(db: apsw.Connection, number: int) -> bool:
    """Tell whether all that there was to tell of an event was withheld: nobody has to hear that it is over."""
    kept: Any = db.execute("SELECT EXISTS (SELECT 1 FROM withheld WHERE event = ?)", (number,)).get
    owed: Any = db.execute("SELECT EXISTS (SELECT 1 FROM delivery WHERE event = ?)", (number,)).get
    return bool(kept) and not owed


def row_of(number: int | None, channel: str, alert: Alert) -> tuple[Any, ...]:
    """Return the columns of an alert to a channel."""
    kind = AlertKind.ENDED if alert.kind is AlertKind.ENDED_IF_TOLD else alert.kind
    return (
        *(number, channel, alert.key, alert.site, alert.title, alert.body, alert.severity, alert.created),
        *(kind.value, int(alert.urgent)),
        # Due at once is 0: a clock that is set back must not hold an alert.
        *((Wait.LOOK.value, NEVER) if alert.arranged else (Wait.NOTHING.value, 0.0)),
    )


def delivery(row: tuple[Any, ...]) -> Delivery:
    """Return the delivery in a row of `DELIVERY`."""
    number, key, site, title, body, severity, created, event, kind, urgent, channel, attempts, due, error = (
        row
    )
    alert = Alert(key, site, title, body, severity, created, event, AlertKind(kind), bool(urgent))
    return Delivery(number, alert, channel, attempts, due, error)


def _heard(db: apsw.Connection, number: int, channel: str) -> bool:
    found: Any = db.execute(
        "SELECT EXISTS (SELECT 1 FROM delivery WHERE event = ? AND channel = ?)", (number, channel)
    ).get
    return bool(found)
