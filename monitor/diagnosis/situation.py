"""What is known of a tank, as the decision table asks it: from visits, report and watch. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from monitor.diagnosis.advice import NONE, Age, Charge, Look, NoFault, Situation, Watch
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.limits import target_of
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.report import Report
from monitor.diagnosis.watchweek import WEEK, Watched, WatchState, last_watch
from monitor.estimation.plant import plant_of
from monitor.site import HeaterKind, Site, Visit, VisitAction
from monitor.units import KPA

YEAR: Final = 365.25 * 86_400.0

_FITS: Final = 0.1
"""Share of the charge that the line needs by which a gauged one may differ (common practice, no source)."""

_FITS_LEAST: Final = 14e3  # Pa: about 2 psi, what a hand gauge and the street's swing leave open

_GRAVITY: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}
_WATCH: Final = {
    WatchState.RUNNING: Watch.RUNNING,
    WatchState.HELD: Watch.HELD,
    WatchState.FALLEN: Watch.FALLEN,
    WatchState.UNPROVABLE: Watch.UNPROVABLE,
    WatchState.OVERTAKEN: Watch.NONE,
}


def situation(
    site: Site, visits: Sequence[Visit], report: Report, now: float, length: float = WEEK
) -> Situation:
    """Return what decides on the advice at ``now`` [epoch s]; ``length`` of a watch. [s]."""
    past = sorted((one for one in visits if one.time <= now), key=lambda one: one.time)
    watch = last_watch(site, past, report, now, length)
    return Situation(
        fault=first_fault(report),
        water=_water(past),
        charge=_charge(site, past, report),
        watch=_of(watch),
        leak=_leak(past),
        age=_age(past, now, length),
    )


def first_fault(report: Report) -> Fault | NoFault:
    """Return the fault that comes first of those that stand: what is urgent, what is grave, what came first."""
    standing = [one for one in report.findings if one.ended is None]
    if not standing:
        return NONE
    first = min(standing, key=_rank)
    # A lost cushion whose relief valve discharges is one finding; the valve comes before all else.
    return Fault.RELIEF_DISCHARGING if rationale_of(first).urgent else first.fault


def target_charge(site: Site, visit: Visit | None, report: Report) -> float | None:
    """Return the charge that the tank should have [gauge Pa]: by the visit's gauge, the site file or the line.

    None where the line is not known.
    """
    if visit is not None and visit.supply is not None and site.heater.kind is not HeaterKind.LOOP:
        return visit.supply
    if site.supply is None and report.supply_kpa is None:
        return None
    level = site.supply if site.supply is not None else (report.supply_kpa or 0.0) * KPA
    return target_of(plant_of(site), level)


def charge_beside(charge: float, target: float) -> Charge:
    """Return how a gauged charge lies beside the one that the line needs. [gauge Pa]."""
    room = max(_FITS * target, _FITS_LEAST)
    if abs(charge - target) <= room:
        return Charge.RIGHT
    return Charge.BELOW if charge < target else Charge.ABOVE


def _rank(finding: Finding) -> tuple[bool, bool, int, float]:
    return (
        not rationale_of(finding).urgent,
        finding.fault is Fault.BLIND,
        _GRAVITY[finding.severity],
        finding.raised,
    )


def _of(watch: Watched | None) -> Watch:
    # A visit that did not say what it left has begun no watch that could end.
    return Watch.NONE if watch is None or watch.visit.precharge is None else _WATCH[watch.state]


def _water(past: Sequence[Visit]) -> Look:
    """Return the last answer that is of the tank that hangs there now."""
    for one in reversed(past):
        if one.action is VisitAction.REPLACED:
            return Look.UNKNOWN
        if one.water_at_valve is not None:
            return Look.YES if one.water_at_valve else Look.NO
    return Look.UNKNOWN


def _leak(past: Sequence[Visit]) -> Look:
    told = next((one.leak for one in reversed(past) if one.leak is not None), None)
    return Look.UNKNOWN if told is None else Look.YES if told else Look.NO


def _charge(site: Site, past: Sequence[Visit], report: Report) -> Charge:
    visit = next((one for one in reversed(past) if one.action is not VisitAction.LOOKED), None)
    target = target_charge(site, visit, report)
    if visit is None or visit.precharge is None or target is None:
        return Charge.UNKNOWN
    return charge_beside(visit.precharge, target)


def _age(past: Sequence[Visit], now: float, length: float) -> Age:
    if not past:
        return Age.NEVER
    ago = now - past[-1].time
    return Age.WEEK if ago < length else Age.YEAR if ago < YEAR else Age.LONGER
