"""What the templates show of one site, in words: its events, readings and settings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor import units
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.readings import Point
from monitor.service.ports import Event, EventState, SiteView
from monitor.site import Site
from monitor.web import words

_STANDING: Final = {
    EventState.ACTIVE_UNACKNOWLEDGED: "nobody has taken it yet",
    EventState.ACTIVE_ACKNOWLEDGED: "acknowledged",
    EventState.RETURNED_UNACKNOWLEDGED: "over; nobody has acknowledged it",
    EventState.NORMAL: "over",
}

_WAITING: Final = (EventState.ACTIVE_UNACKNOWLEDGED, EventState.RETURNED_UNACKNOWLEDGED)
_SPENT: Final = (Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST)
_POINTS: Final = {
    Point.PRESSURE: "Line pressure",
    Point.HEATER: "Heater",
    Point.TEMPERATURE: "Temperature",
}


@dataclass(frozen=True, slots=True)
class Card:
    """One finding, and the event that it became, as a person needs it."""

    number: int | None
    name: str
    severity: str
    state: str
    began: str
    raised: str
    ended: str
    sure: str
    why: str
    action: str
    caution: str
    may_acknowledge: bool


def events(view: SiteView, *, open_now: bool) -> list[Card]:
    """Return the events that stand, or those that are over, newest first."""
    # The report may know more of a finding than was known when the event was raised.
    newest = {(one.fault, one.raised): one for one in view.report.findings}
    return [
        card(newest.get((event.finding.fault, event.finding.raised), event.finding), view.site, event)
        for event in view.events
        if (event.finding.ended is None) is open_now
    ]


def readings(view: SiteView, now: float) -> list[tuple[str, str, str]]:
    """Return the newest reading of each point: name, value, age."""
    unit = view.site.unit
    return [
        (
            _POINTS[point],
            _value(point, view.latest[point].value, unit),
            words.ago(view.latest[point].time, now),
        )
        for point in Point
        if point in view.latest
    ]


def settings(site: Site) -> list[tuple[str, str]]:
    """Return the facts of the site file, with the unknown ones called so."""

    def gauge(value: float | None) -> str:
        return "not known" if value is None else words.pressure(value / units.KPA, site.unit)

    def volume(value: float | None) -> str:
        return "not known" if value is None else f"{value * 1000:.4g} L"

    heater = site.heater
    return [
        ("Identifier", site.id),
        ("Tank volume", volume(site.tank_volume)),
        ("Precharge as last gauged", gauge(site.precharge)),
        ("Supply pressure", gauge(site.supply)),
        ("Relief valve setting", gauge(site.relief)),
        ("Heater", heater.kind.value),
        ("Heated water", volume(heater.volume)),
        ("Heater input", "not known" if heater.input is None else f"{heater.input / 1000:.4g} kW"),
        ("Efficiency", "not known" if heater.efficiency is None else f"{heater.efficiency:.2f}"),
        ("Setpoint", "not known" if heater.setpoint is None else f"{heater.setpoint:.0f} °C"),
        ("Altitude", f"{site.altitude:.0f} m"),
        ("Time zone", site.timezone),
    ]


def peak(site: Site, report: Report) -> str:
    """Return the pressure of the worst full recovery today, beside the relief setting."""
    value = report.worst_case_peak_kpa
    if value is None:
        return "not known"
    shown = words.pressure(value, site.unit) if math.isfinite(value) else "no bound"
    return shown if site.relief is None else f"{shown}; relief valve opens at {_kpa(site.relief, site)}"


def left(site: Site, report: Report, now: float) -> str:
    """Return the time until the air charge falls below the pressure that the forecast is about."""
    if report.forecast is not None:
        limit = words.pressure(report.forecast.limit_kpa, site.unit)
        return f"{words.days_left(report.forecast, now)}, until {limit}"
    if any(finding.fault in _SPENT for finding in standing(report)):
        return "none"
    return "no date in sight" if report.verdict is Verdict.HOLDING else "not known"


def card(finding: Finding, site: Site, event: Event | None = None) -> Card:
    """Return a finding, and the event that it became where there is one, as a person needs it."""
    zone = site.timezone
    return Card(
        number=None if event is None else event.number,
        name=words.fault(finding.fault),
        severity=finding.severity.value,
        state="" if event is None else _STANDING[event.state],
        began=words.date(finding.began, zone),
        raised=words.moment(finding.raised, zone),
        ended="" if finding.ended is None else words.moment(finding.ended, zone),
        sure=words.sureness(finding.confidence),
        why=finding.why,
        action=finding.action,
        caution=finding.caution,
        may_acknowledge=event is not None and event.state in _WAITING,
    )


def _kpa(pascal: float, site: Site) -> str:
    return words.pressure(pascal / units.KPA, site.unit)


def _value(point: Point, value: float, unit: str) -> str:
    if point is Point.PRESSURE:
        return words.pressure(value, unit)
    if point is Point.TEMPERATURE:
        return f"{value:.1f} °C"
    return f"{value / 1000:.1f} kW" if value > 1 else ("on" if value > 0 else "off")


def standing(report: Report) -> list[Finding]:
    """Return the findings that are not over."""
    return [finding for finding in report.findings if finding.ended is None]
