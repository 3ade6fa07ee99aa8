"""What the service keeps of one site while it runs, and how that is built anew from the store."""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Final, NamedTuple

from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import Report
from monitor.readings import Point, Reading
from monitor.service.pipeline import LONGEST_HOLD_BACK, SitePipeline, in_order
from monitor.service.ports import Event, Store
from monitor.site import Site, Visit

LOG = logging.getLogger("cushionwatch.desk")

DAY: Final = 86400.0
CHUNK: Final = 7 * DAY
"""Seconds of stored readings that a replay holds in memory at once."""
ROUNDING: Final = 1e-3
"""Seconds, more than what a time may differ by between the live service and the store's microseconds."""
ALL: Final = 1_000_000
"""More events than a site can have."""


class Outcome(NamedTuple):
    """A finding to write down; ``loud``: people are told."""

    finding: Finding
    loud: bool


class Desk:
    """One site's pipeline, its last report, and the lock that lets the page read beside the worker."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.failure = ""
        self._pipeline = SitePipeline(site)
        self._lock = threading.Lock()
        self._report: Report | None = None

    @property
    def late(self) -> int:
        """Return how many readings came too late to be analysed in place."""
        return self._pipeline.late

    @property
    def newest(self) -> float:
        """Return the time of the newest reading, minus infinity before the first."""
        return self._pipeline.newest

    @property
    def final(self) -> float:
        """Return the time up to which readings have been analysed, minus infinity before the first."""
        return self._pipeline.final

    def report(self) -> Report:
        """Return what is known of the site; from any thread."""
        with self._lock:
            if self._report is None:
                self._report = self._pipeline.report()
            return self._report

    def take(self, readings: Iterable[Reading]) -> list[Finding]:
        """Analyse readings in the order of arrival; return the findings that changed."""
        return self._work(lambda: self._pipeline.take(readings))

    def look(self, visits: Iterable[Visit], until: float | None) -> list[Finding]:
        """Take visits into account, and let a silent site know that its time has reached ``until``."""
        return self._work(lambda: self._look(visits, until))

    def _look(self, visits: Iterable[Visit], until: float | None) -> list[Finding]:
        changed = self._pipeline.log_visits(visits)
        if until is None or self._pipeline.newest == -math.inf:
            return changed
        # A site whose heater still reports is silent too once its pressure is; no row waits longer than that.
        heard = self._pipeline.newest - LONGEST_HOLD_BACK
        return changed + self._pipeline.tick(until if until > self._pipeline.newest else min(until, heard))

    def _work(self, step: Callable[[], list[Finding]]) -> list[Finding]:
        if self.failure:
            return []
        try:
            with self._lock:
                self._report = None
                return step()
        except Exception as error:
            # A fault of this program at one site must not blind the others, nor stop the storing.
            LOG.exception("analysis of site %s failed; its readings are still stored", self.site.id)
            self.failure = f"analysis of site {self.site.id} stopped by a fault of this program ({error!r})"
            return []

    def replay(self, store: Store, stopping: Callable[[], bool]) -> list[Outcome]:
        """Build the pipeline anew from the store; return what the store does not know of it yet.

        Raises `StoreError`, after which it may be called again.
        """
        self._pipeline = SitePipeline(self.site)
        span = store.span(self.site.id)
        found = self.look(store.visits(self.site.id), None)
        start, end = span or (math.inf, -math.inf)
        while start <= end and not stopping():
            series = {point: store.readings(self.site.id, point, start, start + CHUNK) for point in Point}
            found += self.take(in_order(self.site.id, series))
            start += CHUNK
        events = store.events(self.site.id, open_only=True, limit=ALL)
        known = [event for event in events if event.finding.ended is None]
        for event in known:
            # What was raised in a silence is found in no reading: tell how far time had come at the least.
            found += self._work(partial(self._pipeline.tick, event.finding.raised + ROUNDING))
            end = max(end, event.finding.raised)
        return [] if stopping() or self.failure else reconcile(found, known, end)


def outcomes(changed: Sequence[Finding]) -> list[Outcome]:
    """Return what to write down of findings that changed, in order.

    One that ends with the reading that raises another has given way to it, as a low charge does to a lost
    cushion: it ends without a word, since "back to normal" would be false.
    """
    raised = {finding.raised for finding in changed if finding.ended is None}
    return [Outcome(finding, finding.ended not in raised) for finding in changed]


def reconcile(found: Sequence[Finding], known: Sequence[Event], reached: float) -> list[Outcome]:
    """Return what to write down so that the store agrees with a replay; the store ignores what it has.

    ``known`` are the standing events; ``reached`` is the time that the replay has come to: of an event that
    was raised later it knows nothing, and leaves it as it is. Replay and store differ after a crash between
    two writes, after late readings, and when the site file or this program changed. People are told of what
    stands and is new, and of what ended and stood; not of old history seen with new eyes, nor twice of a
    fault that merely got another date.
    """
    latest = {_key(finding): finding for finding in found}
    open_keys = {_key(event.finding) for event in known}
    unseen = [event.finding for event in known if _key(event.finding) not in latest]
    orphans = [finding for finding in unseen if finding.raised <= reached]
    redated = {finding.fault for finding in orphans}
    standing = {finding.fault for finding in latest.values() if finding.ended is None}
    raised = {finding.raised for finding in latest.values()}
    found_out = [Outcome(replace(old, ended=reached), old.fault not in standing) for old in orphans]
    for key, finding in latest.items():
        recent = finding.raised > reached - DAY
        if finding.ended is None:
            found_out.append(Outcome(finding, finding.fault not in redated))
        else:
            gave_way = finding.ended in raised
            found_out.append(Outcome(replace(finding, ended=None), recent and not gave_way))
            found_out.append(Outcome(finding, (recent or key in open_keys) and not gave_way))
    return found_out


def _key(finding: Finding) -> tuple[Fault, int]:
    """Return what identifies a finding; times as the store keeps them, in whole microseconds."""
    return finding.fault, round(finding.raised * 1e6)
