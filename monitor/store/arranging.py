"""The outbox by channel: what waits, what went out, what is merged, and what nobody has answered.

Each function runs in its caller's transaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

import apsw

from monitor.service.lifecycle import silence
from monitor.service.lifecycle_records import SERVICE, Act
from monitor.service.ports import NEVER, Alert, AlertKind, EventChange, Plan, Sent, Unanswered, Wait, Waiting
from monitor.store import eventrows, outbox

_INSERT: Final = (
    "INSERT INTO delivery (event, channel, key, site, title, body, severity, created, kind, urgent, waits, due, "
    "fault, state) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'owed') ON CONFLICT DO NOTHING RETURNING id"
)


def select_waiting(db: apsw.Connection, channel: str) -> list[Waiting]:
    """Return all that a channel owes, oldest first."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        outbox.DELIVERY.replace(
            " FROM ", ", d.fault, d.waits, d.held_until, e.fault, coalesce(e.state GLOB 'active*', 1) FROM "
        )
        + " LEFT JOIN event AS e ON e.number = d.event WHERE d.state = 'owed' AND d.channel = ? ORDER BY d.id",
        (channel,),
    )
    found = []
    for *row, fault, waits, until, of_event, standing in rows:
        owed = outbox.delivery(tuple(row))
        owed = replace(owed, due=until) if waits else owed
        found.append(Waiting(owed, of_event or fault, bool(standing), Wait(waits)))
    return found


def select_sent(db: apsw.Connection, channel: str, since: float) -> list[Sent]:
    """Return what went out through a channel since then, and groups that were made since then."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT coalesce(d.done, d.created), d.kind, coalesce(e.fault, d.fault), d.urgent FROM delivery AS d "
        "LEFT JOIN event AS e ON e.number = d.event WHERE d.channel = :channel AND ((d.state = 'delivered' "
        "AND d.done > :since) OR (d.state = 'owed' AND d.kind = 'group' AND d.created > :since))",
        {"channel": channel, "since": since},
    )
    return [Sent(when, AlertKind(kind), fault, bool(urgent)) for when, kind, fault, urgent in rows]


def arrange(db: apsw.Connection, channel: str, plan: Plan) -> None:
    """Hold deliveries, and put one message in the place of several.

    What waits is not due before a plan lets it go, whatever the time: else it might go alone just before that plan.
    """
    db.executemany(
        "UPDATE delivery SET waits = ?, held_until = ?, due = ? WHERE id = ? AND state = 'owed'",
        [(hold.waits.value, hold.due, NEVER if hold.waits else 0.0, hold.id) for hold in plan.holds],
    )
    for merge in plan.merges:
        found: Any = db.execute(
            _INSERT, (*outbox.row_of(merge.alert.event, channel, merge.alert), merge.fault)
        ).get
        if found is not None:
            db.executemany(
                "UPDATE delivery SET state = 'merged', merged_into = ? WHERE id = ? AND state = 'owed'",
                [(found, number) for number in merge.ids],
            )


def select_unanswered(db: apsw.Connection) -> list[Unanswered]:
    """Return the standing events that people are told of and that nobody has acknowledged."""
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT d.event, min(d.created) FROM delivery AS d JOIN event AS e ON e.number = d.event "
        "WHERE e.state = 'active_unacknowledged' GROUP BY d.event"
    )
    told: dict[int, float] = dict(list(rows))
    if not told:
        return []
    standing = eventrows.select(db, "WHERE e.state = 'active_unacknowledged' ORDER BY e.number")
    return [
        Unanswered(event, told[event.number])
        for event in standing
        if event.number in told and silence(event) is None
    ]


def owe_message(db: apsw.Connection, channel: str, alert: Alert, why: str) -> bool:
    """Owe a message once for its key; ``why`` goes into the audit trail of its event."""
    found: Any = db.execute(_INSERT, (*outbox.row_of(alert.event, channel, alert), "")).get
    if found is not None and why and alert.event is not None:
        event = eventrows.one(db, alert.event)
        if event is not None:
            change = EventChange(alert.created, event.state, event.state, SERVICE, why, Act.ESCALATED)
            eventrows.audit(db, event.number, change)
    return found is not None
