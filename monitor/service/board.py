"""What the page reads of the running service."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Sequence
from typing import Final

from monitor.diagnosis.timings import URGENT_SHELF
from monitor.diagnosis.watchweek import WEEK
from monitor.errors import StoreError
from monitor.estimation.samples import FloatArray
from monitor.readings import Point
from monitor.service.followup import followed
from monitor.service.lifecycle_records import OutOfService, Shelf
from monitor.service.photos import Photo, PhotoNote
from monitor.service.ports import Clock, Event, EventChange, MessageSource, ServiceHealth, SiteView, Store
from monitor.service.runner import Runner
from monitor.service.urgency import urgency
from monitor.site import Visit

LOG = logging.getLogger("cushionwatch.board")

_KEPT: Final = 50
"""Events of a site that its page lists; of those that stand or wait for a person it lists all."""
_OPEN: Final = 10_000

_LAPSES: Final = 5.0
"""Seconds between two looks at what has run out."""


class LiveBoard:
    """The port `Board` on a running `Runner`, for any thread. ``others`` tells problems elsewhere.

    ``visit_watch``: for how long a tank is watched after a visit. [s].
    """

    def __init__(
        self,
        runner: Runner,
        source: MessageSource,
        store: Store,
        clock: Clock,
        others: Callable[[], Sequence[str]] = tuple,
        visit_watch: float = WEEK,
    ) -> None:
        self._runner = runner
        self._source = source
        self._store = store
        self._clock = clock
        self._others = others
        self._visit_watch = visit_watch
        self._lapsed = -math.inf
        self._started = clock.now()

    def sites(self) -> list[SiteView]:
        """Return all sites, most urgent first."""
        now = self._clock.now()
        return sorted(
            (view for site_id in self._runner.desks if (view := self.site(site_id))),
            key=lambda view: urgency(view, now),
        )

    def site(self, site_id: str) -> SiteView | None:
        """Return one site, None if unknown."""
        desk = self._runner.desks.get(site_id)
        if desk is None:
            return None
        self._lapse()
        newest = self._store.events(site_id, limit=_KEPT)
        waiting = self._store.events(site_id, open_only=True, limit=_OPEN)
        events = sorted({one.number: one for one in [*newest, *waiting]}.values(), key=_number, reverse=True)
        latest, visits = self._store.latest(site_id), self._store.visits(site_id)
        report = followed(desk.site, visits, desk.report(), self._clock.now(), self._visit_watch)
        return SiteView(desk.site, report, latest, events, visits, outs=self._store.outs(site_id))

    def pressure(self, site_id: str, start: float, end: float, limit: int) -> tuple[FloatArray, FloatArray]:
        """Return at most about ``limit`` pressure points of a span, peaks kept."""
        return self._store.readings_decimated(site_id, Point.PRESSURE, start, end, limit)

    def acknowledge(self, number: int, who: str) -> Event | None:
        """Acknowledge an event."""
        return self._store.acknowledge_event(number, who, self._clock.now())

    def shelve(self, number: int, who: str, why: str, seconds: float, *, urgent: bool) -> Event | None:
        """Shelve an event for a while; `InputError` where that cannot be."""
        now = self._clock.now()
        return self._store.shelve_event(number, Shelf(now, now + seconds, who, why, urgent))

    def unshelve(self, number: int, who: str, why: str) -> Event | None:
        """Take an event off its shelf; `InputError` where it is on none."""
        return self._store.unshelve_event(number, who, self._clock.now(), why)

    def take_out(
        self, site_id: str, point: Point | None, who: str, why: str, *, urgent: bool
    ) -> OutOfService:
        """Take a site or a point of it out of service; `InputError` where it is already."""
        now = self._clock.now()
        quiet = now + URGENT_SHELF if urgent else None
        return self._store.take_out(OutOfService(0, site_id, point, now, who, why, quiet))

    def put_back(self, site_id: str, point: Point | None, who: str, why: str) -> OutOfService:
        """Put a site or a point of it back in service; `InputError` where it is not out."""
        return self._store.put_back(site_id, point, who, self._clock.now(), why)

    def changes(self, number: int) -> Sequence[EventChange]:
        """Return the audit trail of an event, oldest first."""
        return self._store.event_changes(number)

    def log_visit(self, site_id: str, visit: Visit, photos: Sequence[Photo]) -> bool:
        """Log a service visit; the worker takes it into account within seconds."""
        return self._store.add_visit(site_id, visit, photos)

    def photos(self, site_id: str) -> Sequence[PhotoNote]:
        """Return what is known of the photos of a site's visits."""
        return self._store.photos(site_id)

    def photo(self, site_id: str, number: int) -> Photo | None:
        """Return a photo of a site, None if it has none of that number."""
        return self._store.photo(site_id, number)

    def health(self) -> ServiceHealth:
        """Return the health of the service."""
        source = self._source.health()
        # A full disk is told in the same words by all who could not write.
        problems = list(dict.fromkeys([*self._runner.problems(), *self._others()]))
        if not (source.alive and source.connected):
            problems.append(f"no connection to the broker: {source.detail}")
        dead = len(self._store.dead_letters())
        if dead:
            problems.append(f"{dead} alerts could not be delivered and were given up")
        return ServiceHealth(
            self._started, source, self._runner.stored, self._store.rejected_count(), tuple(problems)
        )

    def _lapse(self) -> None:
        """End the shelves that have run out; whoever looks at a site first does it, of others the teller."""
        now = self._clock.now()
        if abs(now - self._lapsed) < _LAPSES:
            return
        self._lapsed = now
        try:
            self._store.lapse(now)
        except StoreError as error:
            LOG.warning("shelves that have run out end later: %s", error)


def _number(event: Event) -> int:
    return event.number
