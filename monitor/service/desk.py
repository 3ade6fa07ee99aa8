"""What the service keeps of one site while it runs."""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.errors import StoreError
from monitor.readings import Reading
from monitor.service.pipeline import LONGEST_HOLD_BACK, SitePipeline
from monitor.service.ports import Overdue, SavedState, Store
from monitor.service.rebuild import Rebuild
from monitor.service.saved import freeze, program_of
from monitor.site import Site, Visit

LOG = logging.getLogger("cushionwatch.desk")


class Desk:
    """One site's pipeline, its last report, and the lock that lets the page read beside the worker.

    It begins without knowing the past: readings are analysed from when a first `rebuild` is done.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self.failure = ""
        self.live = False
        self._pipeline = SitePipeline(site)
        self._rebuild: Rebuild | None = None
        self._saved = -math.inf
        self._lock = threading.Lock()
        self._report: Report | None = None

    @property
    def late(self) -> int:
        """Return how many readings came too late to be analysed in place."""
        return self._pipeline.late

    @property
    def late_visit(self) -> float:
        """Return the time of the earliest visit that was told after its time; infinity if none was."""
        return self._pipeline.late_visit if self.live else math.inf

    @property
    def newest(self) -> float:
        """Return the time of the newest reading, minus infinity before the first."""
        return self._pipeline.newest

    @property
    def final(self) -> float:
        """Return the time up to which readings have been analysed, minus infinity before the first."""
        return self._pipeline.final if self.live or self._rebuild is None else self._rebuild.pipeline.final

    @property
    def rebuilding(self) -> Rebuild | None:
        """Return the work under way where the pipeline is being built anew."""
        return self._rebuild

    def report(self) -> Report:
        """Return what is known of the site; from any thread."""
        with self._lock:
            if self._report is None:
                self._report = self._pipeline.report()
            return self._report

    def take(self, readings: Iterable[Reading]) -> list[Finding]:
        """Analyse readings in the order of arrival; return the findings that changed."""
        return self._work(lambda: self._pipeline.take(readings)) if self.live else []

    def look(self, visits: Iterable[Visit], until: float | None) -> list[Finding]:
        """Take visits into account, and let a silent site know that its time has reached ``until``."""
        return self._work(lambda: self._look(visits, until)) if self.live else []

    def _look(self, visits: Iterable[Visit], until: float | None) -> list[Finding]:
        changed = self._pipeline.log_visits(visits)
        if until is None or self._pipeline.newest == -math.inf:
            return changed
        # A site whose heater still reports is silent too once its pressure is; no row waits longer than that.
        heard = self._pipeline.newest - LONGEST_HOLD_BACK
        return changed + self._pipeline.tick(until if until > self._pipeline.newest else min(until, heard))

    def rebuild(self, store: Store, since: float = math.inf, corrects: Overdue | None = None) -> None:
        """Begin to build the pipeline anew, from before ``since`` where that is known; see `Rebuild`."""
        self._rebuild = Rebuild(self.site, store, since, corrects)

    def advance(self) -> None:
        """Build on for a slice; when that was the last, the new pipeline takes over.

        Raises `StoreError` where the store cannot be read; then it may be called again.
        """
        work = self._rebuild
        if work is None:
            return
        try:
            done = work.step()
        except StoreError:
            raise
        except Exception as error:  # noqa: BLE001 - see _fail
            self._rebuild = None
            self._fail(error)
            return
        if done:
            self._rebuild = None
            with self._lock:
                self._pipeline, self._report, self.live = work.pipeline, None, True
            self._saved = -math.inf

    def freeze(self) -> SavedState | None:
        """Return the state to save; None where nothing was analysed since the last one."""
        with self._lock:
            final = self._pipeline.final
            if not self.live or self.failure or final <= self._saved:
                return None
            return SavedState(final, program_of(self.site), freeze(self._pipeline))

    def saved(self, state: SavedState) -> None:
        """Note that a state is in the store."""
        self._saved = state.at

    def _work(self, step: Callable[[], list[Finding]]) -> list[Finding]:
        if self.failure:
            return []
        try:
            with self._lock:
                self._report = None
                return step()
        except Exception as error:  # noqa: BLE001 - see _fail
            self._fail(error)
            return []

    def _fail(self, error: Exception) -> None:
        """Give up on a site: a fault of this program there must not blind the others, nor stop the storing."""
        LOG.error(
            "analysis of site %s failed; its readings are still stored",
            self.site.id,
            exc_info=error,
            extra={"site": self.site.id},
        )
        why = f"analysis of site {self.site.id} stopped by a fault of this program ({error!r})"
        with self._lock:
            self.failure = why
            self._report = replace(self._last_report(), verdict=Verdict.BLIND, verdict_why=why)

    def _last_report(self) -> Report:
        """Return what was known; what failed may not be able to say it."""
        try:
            return self._pipeline.report()
        except Exception:  # noqa: BLE001 - the fault has been logged
            return SitePipeline(self.site).report()
