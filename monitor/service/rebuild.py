"""A site's pipeline built anew from the store, in slices between which the service goes on taking readings.

At a start, and whenever readings or visits have come for a time that had been analysed. It goes on from the
newest saved state before that time; without one it begins with the first reading that is kept.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from typing import Final

from monitor.diagnosis.faults import Finding
from monitor.errors import StoreError
from monitor.readings import Point
from monitor.service.outcomes import Outcome, reconcile
from monitor.service.pipeline import SitePipeline, in_order
from monitor.service.ports import Overdue, Store
from monitor.service.saved import program_of, thaw
from monitor.site import Site

LOG = logging.getLogger("cushionwatch.rebuild")

DAY: Final = 86400.0
SLICE: Final = DAY / 4.0
"""Seconds of stored readings that one step analyses: at a reading in 5 s some 40 ms of work."""
ROUNDING: Final = 1e-3
"""Seconds, more than what a time may differ by between the live service and the store's microseconds."""
ALL: Final = 1_000_000
"""More events than a site can have."""
_NEXT: Final = 1e-6
"""Seconds from a stored time to the next that can be stored."""


class Rebuild:
    """Work under way: `step` until it returns True, then take `pipeline` and write down `outcomes`.

    Parameters
    ----------
    site : Site
        The site.
    store : Store
        Where readings, visits, events and states are.
    since : float
        Time of the oldest reading or visit that the states saved after it did not know. [epoch s]
    corrects : Overdue, optional
        What was overdue when this began.
    """

    def __init__(
        self, site: Site, store: Store, since: float = math.inf, corrects: Overdue | None = None
    ) -> None:
        self.site = site
        self.corrects = corrects
        self.outcomes: Sequence[Outcome] = ()
        self._store = store
        self._since = since
        self._found: list[Finding] = []
        self._begun = False
        self._reached = -math.inf
        self.pipeline = SitePipeline(site)

    def step(self) -> bool:
        """Analyse a slice of what is stored; True when all of it has been.

        Raises `StoreError` where the store cannot be read; then nothing has changed, and it may be tried again.
        """
        if not self._begun:
            self._begin()
        span = self._store.span(self.site.id)
        start, end = span or (math.inf, -math.inf)
        start = max(start, self.pipeline.final + _NEXT)
        until = max(start, self._reached) + SLICE
        if start <= end:
            site = self.site.id
            series = {point: self._store.readings(site, point, start, until) for point in Point}
            self._found += self.pipeline.take(in_order(site, series))
            self._reached = until
        if until <= end:
            return False
        self._conclude(end)
        return True

    def _begin(self) -> None:
        """Start from a saved state, or from nothing."""
        visits = self._store.visits(self.site.id)
        saved = self._store.saved_state(self.site.id, program_of(self.site), self._since)
        if saved is not None:
            try:
                self.pipeline = thaw(saved.body, self.site)
            except StoreError as error:
                LOG.warning("%s; its readings are analysed anew", error)
        # What stood or had just ended then; older history was written down when it was found.
        recent = self.pipeline.final - DAY
        told = self.pipeline.report().findings
        self._found = [one for one in told if one.ended is None or one.ended > recent]
        self._found += self.pipeline.log_visits(visits)
        self._begun = True

    def _conclude(self, end: float) -> None:
        events = self._store.events(self.site.id, open_only=True, limit=ALL)
        known = [event for event in events if event.finding.ended is None]
        for event in known:
            # What was raised in a silence is found in no reading: tell how far time had come at the least.
            self._found += self.pipeline.tick(event.finding.raised + ROUNDING)
            end = max(end, event.finding.raised)
        self.outcomes = reconcile(self._found, known, end)
