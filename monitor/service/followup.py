"""The advice after a visit, put where a finding names its first action, so that page, alert and topic agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from monitor.diagnosis.advice import Age, Charge, Look, Row, Situation, Watch
from monitor.diagnosis.advice_table import advise
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.diagnosis.situation import situation
from monitor.diagnosis.watchweek import WEEK, WatchState, last_watch
from monitor.diagnosis.watchweek_words import sentence
from monitor.diagnosis.words import Speaker
from monitor.site import Site, Visit

_TOLD_ALREADY: Final = frozenset({Verdict.FAULT, Verdict.BLIND})
_OF_THE_TANK: Final = frozenset({Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST, Fault.AIR_CHARGE_HIGH})


def advice_of(site: Site, visits: Sequence[Visit], report: Report, now: float, length: float = WEEK) -> Row:
    """Return the row of the decision table for a site at ``now`` [epoch s]; ``length`` of a watch. [s]."""
    return advise(situation(site, visits, report, now, length))


def followed(site: Site, visits: Sequence[Visit], report: Report, now: float, length: float = WEEK) -> Report:
    """Return the report with the first action of what stands as it is after the last visit.

    A site whose last visit has not held is doubtful at best, also before the charge has come down to its limit.
    """
    if not visits:
        return report
    findings = tuple(followed_finding(site, visits, report, one, now, length) for one in report.findings)
    report = replace(report, findings=findings) if findings != report.findings else report
    watch = last_watch(site, visits, report, now, length)
    if watch is None or watch.state is not WatchState.FALLEN or report.verdict in _TOLD_ALREADY:
        return report
    row = advice_of(site, visits, report, now, length)
    return replace(report, verdict=Verdict.DOUBTFUL, verdict_why=f"{sentence(watch, Speaker(site))} {row.do}")


def followed_finding(
    site: Site, visits: Sequence[Visit], report: Report, finding: Finding, now: float, length: float = WEEK
) -> Finding:
    """Return a finding whose action is that of the decision table, where a visit makes it another than usual."""
    if not visits or finding.ended is not None or finding.fault not in _OF_THE_TANK:
        return finding
    here = replace(situation(site, visits, report, now, length), fault=finding.fault)
    row, usual = advise(here), advise(_unvisited(finding.fault))
    if row.advice is usual.advice:
        return finding
    return replace(finding, action=f"{row.do} {row.why}")


def _unvisited(fault: Fault) -> Situation:
    return Situation(fault, Look.UNKNOWN, Charge.UNKNOWN, Watch.NONE, Look.UNKNOWN, Age.NEVER)
