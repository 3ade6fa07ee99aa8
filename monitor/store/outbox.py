"""The outbox: alerts that are owed to a channel, and those withheld while nobody is told of their event.

Each function runs in its caller's transaction, the one that changes the event.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import apsw

from monitor.service.ports import Alert, Delivery

_DELIVERY: Final = (
    "SELECT id, key, site, title, body, severity, created, event, channel, attempts, due, last_error "
    "FROM delivery AS d"
)
_ALERT: Final = "event, channel, key, site, title, body, severity, created"


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


def owe(db: apsw.Connection, number: int, alerts: Mapping[str, Alert]) -> None:
    """Owe alerts to their channels, each once for its key; due at once."""
    # Due at once (0): a clock that is set back must not hold an alert.
    db.executemany(
        f"INSERT INTO delivery ({_ALERT}, state) VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'owed') "  # noqa: S608  constants
        "ON CONFLICT DO NOTHING",
        _rows(number, alerts),
    )


def withhold(db: apsw.Connection, number: int, alerts: Mapping[str, Alert]) -> None:
    """Keep alerts back until their event may be told."""
    db.executemany(
        f"INSERT INTO withheld ({_ALERT}) VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",  # noqa: S608
        _rows(number, alerts),
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


def _rows(number: int, alerts: Mapping[str, Alert]) -> list[tuple[Any, ...]]:
    return [
        (number, channel, alert.key, alert.site, alert.title, alert.body, alert.severity, alert.created)
        for channel, alert in alerts.items()
    ]


def _delivery(row: tuple[Any, ...]) -> Delivery:
    number, key, site, title, body, severity, created, event, channel, attempts, due, error = row
    alert = Alert(key, site, title, body, severity, created, event)
    return Delivery(number, alert, channel, attempts, due, error)
