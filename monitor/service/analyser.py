"""The one analyser that the live service and ``examine`` share."""

from __future__ import annotations

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.estimation.samples import Samples
from monitor.site import Site, Visit


class Analyser:
    """Analyses one site as its readings come, in any batch size with the same result.

    Time comes with the data: nothing here asks a clock.
    """

    def __init__(self, site: Site) -> None:
        self.site = site

    def feed(self, samples: Samples) -> list[Finding]:
        """Take rows later than all before; return findings that were raised or ended by them, in order."""
        raise NotImplementedError(len(samples))

    def visit(self, visit: Visit) -> list[Finding]:
        """Take a service visit into account from its time on; return findings that changed."""
        raise NotImplementedError(visit.time)

    def tick(self, now: float) -> list[Finding]:
        """Tell that data time has reached ``now`` though no reading came; return findings that changed."""
        raise NotImplementedError(now)

    def report(self) -> Report:
        """Return all that is known up to the last reading or tick."""
        return Report(
            site=self.site.id, start=None, end=None, samples=0, verdict=Verdict.LEARNING, verdict_why="",
            air_charge=(), worst_case_peak_kpa=None, supply_kpa=None, findings=(), blind=(), forecast=None,
            last_window=None, windows=0,
        )
