"""Arranges what is owed to one recipient before it is sent: holds, groups, digests, escalations, heartbeats.

All decisions are pure (`monitor.alerting.plan`, `monitor.alerting.timers`); here they are asked for with what the
outbox holds, and written down. Each look is one transaction or none, so that a crash between two repeats nothing: every
message has a key of its own.
"""

from __future__ import annotations

import logging
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from monitor.alerting.bulk import bulk, escalated, heartbeat
from monitor.alerting.people import OWN, Book, Recipient
from monitor.alerting.plan import Person, let_all_go, plan
from monitor.alerting.timers import Fleet, escalations, heartbeats
from monitor.alerting.voice import Voice
from monitor.diagnosis.report import Report
from monitor.errors import StoreError
from monitor.service.lifecycle_groups import FLOOD_SPAN
from monitor.service.ports import Alert, AlertKind, Plan, Sent, Unanswered, Waiting
from monitor.site import Site

LOG: Final = logging.getLogger("cushionwatch.alerting")

TIMERS: Final = 10.0
"""Seconds between two looks at what is owed because time has passed."""


class Shelf(Protocol):
    """The part of `Store` that a clerk needs."""

    def waiting(self, channel: str) -> list[Waiting]:
        """Return all that a channel owes, oldest first."""

    def sent(self, channel: str, since: float) -> list[Sent]:
        """Return what went out since then."""

    def arrange(self, channel: str, plan: Plan) -> None:
        """Hold and merge as planned."""

    def unanswered(self) -> list[Unanswered]:
        """Return what people were told of and nobody has acknowledged."""

    def owe_message(self, channel: str, alert: Alert, why: str = "") -> bool:
        """Owe a message once for its key."""


@dataclass(frozen=True, slots=True)
class Office:
    """What all clerks share: who is told of what in which words, the sites, and what is known of them.

    ``fleet`` is None while it is not known yet, as right after a start.
    """

    book: Book
    voices: Mapping[str, Voice]
    sites: Mapping[str, Site]
    report_of: Callable[[Site], Report]
    fleet: Callable[[], Fleet | None]

    def zone(self, who: Recipient) -> str:
        """Return the time zone of a recipient; that of most sites where it is that of the site."""
        if who.timezone != OWN:
            return who.timezone
        zones = Counter(site.timezone for site in self.sites.values())
        return zones.most_common(1)[0][0] if zones else "UTC"


class Clerk:
    """Looks after what one recipient is owed, one look at a time; knows nothing of threads."""

    def __init__(self, who: Recipient, office: Office, shelf: Shelf) -> None:
        self._who = who
        self._office = office
        self._shelf = shelf
        self._looked = -math.inf
        self._beat = -math.inf
        self._voice = office.voices.get(who.name, Voice())
        self._person = None
        if who.manner is not None:
            self._person = Person(who.manner, office.zone(who), self._zone_of, self._compose)

    def look(self, now: float) -> None:
        """Owe what time has brought, and arrange all that is owed. ``now``: epoch s. May raise `StoreError`."""
        seldom = abs(now - self._looked) >= TIMERS
        if seldom:
            self._looked = now
        if self._person is None:
            if seldom:  # what waits is from when it was a person
                self._write(let_all_go(self._shelf.waiting(self._who.name)))
            return
        if seldom:
            self._bring(now)
        waiting = self._shelf.waiting(self._who.name)
        if not waiting:
            return
        sent = self._shelf.sent(self._who.name, now - FLOOD_SPAN)
        try:
            made = plan(self._person, waiting, sent, now)
        except Exception:
            # Better each alone and at once than none.
            LOG.exception("alerts to %s cannot be arranged and go as they are", self._who.name)
            made = let_all_go(waiting)
        self._write(made)

    def _bring(self, now: float) -> None:
        """Owe what time has brought; what fails here must not hold up what is owed already."""
        for bring in (self._escalate, self._heartbeat):
            try:
                bring(now)
            except StoreError:
                raise
            except Exception:
                LOG.exception("%s is not told of what time has brought", self._who.name)

    def _write(self, made: Plan) -> None:
        if made.holds or made.merges:
            self._shelf.arrange(self._who.name, made)

    def _escalate(self, now: float) -> None:
        if not any(rule.then for rule in self._office.book.rules):
            return
        book, sites = self._office.book, self._office.sites
        for one in escalations(book, sites, self._shelf.unanswered(), now):
            if one.who.name != self._who.name:
                continue
            finding = one.unanswered.event.finding
            before = [who.name for who in book.first(one.site, finding)]
            before += [who.name for step in book.chain(one.site, finding)[: one.step - 1] for who in step]
            told = list(dict.fromkeys(before))
            alert = escalated(one, told, self._office.report_of(one.site), now, self._voice)
            why = f"nobody has acknowledged it in time: {self._who.name} is next, after {', '.join(told)}"
            self._shelf.owe_message(self._who.name, alert, why)

    def _heartbeat(self, now: float) -> None:
        for who, slot in heartbeats(self._office.book, self._office.zone, now):
            if who.name != self._who.name or slot == self._beat:
                continue
            fleet = self._office.fleet()
            if fleet is not None:
                alert = heartbeat(who, slot, fleet, now, self._voice, self._office.zone(who))
                self._shelf.owe_message(who.name, alert)
                self._beat = slot

    def _zone_of(self, site_id: str) -> str:
        site = self._office.sites.get(site_id)
        return "UTC" if site is None else site.timezone

    def _compose(self, kind: AlertKind, parts: Sequence[Waiting], now: float) -> Alert:
        return bulk(kind, parts, now, self._voice, self._office.sites)
