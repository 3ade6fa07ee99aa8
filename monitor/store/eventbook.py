"""The part of the port `Store` that keeps events, their audit trail, and what is owed or withheld of them."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.diagnosis.faults import Finding
from monitor.readings import Point
from monitor.service.lifecycle_records import AuditLine, OutOfService, Shelf
from monitor.service.ports import Alert, Delivery, Event, EventChange, Plan, Sent, Unanswered, Waiting
from monitor.store import acts, arranging, eventrows, events, outbox
from monitor.store.database import Database


class EventBook:
    """Events on one file; each method is one transaction, the outbox in it."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def raise_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Open an event and owe each alert to its channel; None where (site, fault, raised) is known."""
        with self._database.write() as db:
            return events.open_event(db, site, finding, alerts)

    def amend_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Replace the finding of an active event where its evidence has a fact that the stored one lacks."""
        with self._database.write() as db:
            return events.amend_event(db, site, finding, alerts)

    def redate_event(
        self, site: str, old: Finding, finding: Finding, alerts: Mapping[str, Alert]
    ) -> Event | None:
        """Give the active event of ``old`` the finding in its place; None where that cannot be."""
        with self._database.write() as db:
            return events.redate_event(db, site, old, finding, alerts)

    def end_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Mark the event of this finding as returned to normal; None if unknown or ended already."""
        with self._database.write() as db:
            return events.return_event(db, site, finding, alerts)

    def acknowledge_event(self, number: int, who: str, when: float) -> Event | None:
        """Acknowledge an event; None if there is no such event."""
        with self._database.write() as db:
            return events.acknowledge(db, number, who, when)

    def shelve_event(self, number: int, shelf: Shelf) -> Event | None:
        """Put an event on a shelf; None if there is no such event, `InputError` where that cannot be."""
        with self._database.write() as db:
            return acts.shelve(db, number, shelf)

    def unshelve_event(self, number: int, who: str, when: float, why: str) -> Event | None:
        """Take an event off its shelf; None if there is no such event, `InputError` where it is on none."""
        with self._database.write() as db:
            return acts.unshelve(db, number, who, when, why)

    def take_out(self, out: OutOfService) -> OutOfService:
        """Take a site or a point of it out of service; `InputError` where it is already."""
        with self._database.write() as db:
            return acts.take_out(db, out)

    def put_back(self, site: str, point: Point | None, who: str, when: float, why: str) -> OutOfService:
        """Put a site or a point of it back in service; `InputError` where it is not out."""
        with self._database.write() as db:
            return acts.put_back(db, site, point, who, when, why)

    def outs(self, site: str | None = None) -> list[OutOfService]:
        """Return what is out of service now, longest first."""
        with self._database.read() as db:
            return [out for out in eventrows.select_outs(db) if site in (None, out.site)]

    def lapse(self, now: float) -> int:
        """End what has run out by ``now`` (epoch s); writes only where something has."""
        with self._database.read() as db:
            if not acts.lapsing(db, now):
                return 0
        with self._database.write() as db:
            return acts.lapse(db, now)

    def event(self, number: int) -> Event | None:
        """Return one event."""
        with self._database.read() as db:
            return eventrows.one(db, number)

    def events_raised(self, since: float, site: str | None = None) -> list[Event]:
        """Return the events raised since ``since`` (epoch s of their data) and all that stand, oldest first."""
        with self._database.read() as db:
            return events.select_raised(db, since, site)

    def audit(self, since: float, site: str | None = None) -> list[AuditLine]:
        """Return what was done to events and sites since ``since`` (epoch s), oldest first."""
        with self._database.read() as db:
            return acts.select_audit(db, since, site)

    def events(self, site: str | None = None, *, open_only: bool = False, limit: int = 200) -> list[Event]:
        """Return events, newest first; ``open_only``: those that stand or that nobody has acknowledged."""
        with self._database.read() as db:
            return events.select_events(db, site, open_only=open_only, limit=limit)

    def event_changes(self, number: int) -> list[EventChange]:
        """Return the audit trail of an event, oldest first."""
        with self._database.read() as db:
            return eventrows.select_changes(db, number)

    def due_deliveries(self, now: float, limit: int, channel: str | None = None) -> list[Delivery]:
        """Return deliveries that are owed and due, oldest first; those of one channel if it is named.

        Of one event on one channel only the oldest is returned.
        """
        with self._database.read() as db:
            return outbox.select_due(db, now, limit, channel)

    def owed_count(self) -> tuple[int, float | None]:
        """Return how many alerts are owed, and when the oldest of them was made in epoch seconds."""
        with self._database.read() as db:
            return outbox.count_owed(db)

    def active_counts(self) -> Mapping[str, int]:
        """Return how many events stand of each fault."""
        with self._database.read() as db:
            return events.count_active(db)

    def delivered(self, delivery: int, when: float) -> None:
        """Strike a delivery off: its channel has it."""
        with self._database.write() as db:
            outbox.strike_off(db, delivery, when)

    def failed(self, delivery: int, error: str, due: float | None) -> None:
        """Note a failed attempt; ``due`` None: given up, listed as a dead letter."""
        with self._database.write() as db:
            outbox.note_failure(db, delivery, error, due)

    def dead_letters(self) -> list[Delivery]:
        """Return deliveries that were given up."""
        with self._database.read() as db:
            return outbox.select_dead(db)

    def waiting(self, channel: str) -> list[Waiting]:
        """Return all that one channel owes, oldest first."""
        with self._database.read() as db:
            return arranging.select_waiting(db, channel)

    def sent(self, channel: str, since: float) -> list[Sent]:
        """Return what went out through a channel since ``since`` (epoch s), and what was put in groups for it."""
        with self._database.read() as db:
            return arranging.select_sent(db, channel, since)

    def arrange(self, channel: str, plan: Plan) -> None:
        """Hold and merge deliveries of a channel as planned."""
        with self._database.write() as db:
            arranging.arrange(db, channel, plan)

    def unanswered(self) -> list[Unanswered]:
        """Return the standing events that people are told of and that nobody has acknowledged."""
        with self._database.read() as db:
            return arranging.select_unanswered(db)

    def owe_message(self, channel: str, alert: Alert, why: str = "") -> bool:
        """Owe a message once for its key, whatever its event; ``why`` goes into the event's audit trail."""
        with self._database.write() as db:
            return arranging.owe_message(db, channel, alert, why)
