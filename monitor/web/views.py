"""What the templates show of one site, in words: its events, readings and settings."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor import units
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.diagnosis.words import sureness
from monitor.readings import Point
from monitor.service.lifecycle_words import raises_of, recurring
from monitor.service.ports import Event, EventChange, EventState, SiteView
from monitor.site import Site
from monitor.web import words, works

_STANDING: Final = {
    EventState.ACTIVE_UNACKNOWLEDGED: "Nobody has taken it yet.",
    EventState.ACTIVE_ACKNOWLEDGED: "Somebody has taken it.",
    EventState.RETURNED_UNACKNOWLEDGED: "Nobody has acknowledged it.",
    EventState.NORMAL: "",
}

_WAITING: Final = (EventState.ACTIVE_UNACKNOWLEDGED, EventState.RETURNED_UNACKNOWLEDGED)
_GRAVITY: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}
_AGREE: Final = 0.1
"""Share by which the measured and the noted supply pressure may differ before both are shown."""

_RELIEVED: Final = "set it with the water side relieved"
_POINTS: Final = {
    Point.PRESSURE: "Line pressure",
    Point.HEATER: "Heater",
    Point.TEMPERATURE: "Temperature",
}


@dataclass(frozen=True, slots=True)
class Card:
    """One finding, and the event that it became, as a person needs it: what its alert says, in its words.

    ``warning`` stands before all else; ``pump`` is empty where the air charge is not what is wrong. ``quiet``: why
    people are not told of it; ``shelves``: for how long it may be shelved, in seconds and in words.
    """

    number: int | None
    name: str
    severity: str
    state: str
    began: str
    raised: str
    ended: str
    sure: str
    respond: str
    urgent: bool
    warning: str
    why: str
    consequence: str
    action: str
    pump: str
    cautions: tuple[str, ...]
    over: str
    may_acknowledge: bool
    quiet: str = ""
    explains: str = ""
    shelved: bool = False
    shelves: tuple[tuple[int, str], ...] = ()


def events(view: SiteView, changes: Callable[[int], Sequence[EventChange]], *, open_now: bool) -> list[Card]:
    """Return the events that stand, or those that are over, newest first; ``changes`` gives audit trails."""
    # The report may know more of a finding than was known when the event was raised.
    newest = {(one.fault, one.raised): one for one in view.report.findings}
    return [
        replace(
            card(
                newest.get((event.finding.fault, event.finding.raised), event.finding),
                view.site,
                event,
                taken,
            ),
            quiet=quiet,
            explains=explained,
            shelved=event.shelf is not None,
            shelves=works.shelves(event),
        )
        for event in view.events
        if (event.finding.ended is None) is open_now
        for taken in [works.taken(event, changes, view.site.timezone)]
        for quiet, explained in [works.notes(event, view)]
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
    if site.relief is not None and value * units.KPA >= site.relief:
        return f"would open the relief valve, set to {_kpa(site.relief, site)}"
    shown = words.pressure(value, site.unit) if math.isfinite(value) else "no bound"
    return shown if site.relief is None else f"{shown}; relief valve opens at {_kpa(site.relief, site)}"


def weighed(report: Report) -> ChargeEstimate | None:
    """Return the newest estimate of the air charge; None before the first window, when it is but a guess."""
    return report.air_charge[-1] if report.windows and report.air_charge else None


def left(site: Site, report: Report, now: float) -> str:
    """Return the time until the air charge falls below the pressure that the forecast is about."""
    faults = {finding.fault for finding in standing(report)}
    if Fault.AIR_CUSHION_LOST in faults:
        return "none: the air cushion is lost"
    if weighed(report) is not None and report.forecast is not None:
        limit = words.pressure(report.forecast.limit_kpa, site.unit)
        if report.forecast.limit_date > now:
            return f"{words.days_left(report.forecast, now)} until the air charge falls below {limit}"
        return f"none: the air charge is below its limit of {limit}"
    if Fault.AIR_CHARGE_LOW in faults:
        return "none: the air charge is below its limit"
    return "no date in sight" if report.verdict is Verdict.HOLDING else "not known"


def card(finding: Finding, site: Site, event: Event | None = None, taken: str = "") -> Card:
    """Return a finding, and the event that it became where there is one, as a person needs it."""
    zone, about = site.timezone, rationale_of(finding)
    cautions = (*about.cautions, *([finding.caution] if finding.caution else about.general))
    first = int(about.urgent)
    return Card(
        number=None if event is None else event.number,
        name=headline(finding),
        severity=finding.severity.value,
        state=taken or ("" if event is None else _STANDING[event.state]),
        began=words.date(finding.began, zone),
        raised=words.moment(finding.raised, zone),
        ended="" if finding.ended is None else words.moment(finding.ended, zone),
        sure=sureness(finding.confidence),
        respond=respond(finding),
        urgent=about.urgent,
        warning=cautions[0] if about.urgent else "",
        why=finding.why,
        consequence=about.consequence,
        action=finding.action or about.action,
        pump=_pump_setting(finding, site) if about.refill else "",
        cautions=cautions[first:],
        over=about.over,
        may_acknowledge=event is not None and event.state in _WAITING,
    )


def found(site: Site, report: Report) -> list[Card]:
    """Return the findings of a report, those that come and go marked."""
    return [
        replace(card(one, site), quiet=recurring(raises_of(one, report.findings))) for one in report.findings
    ]


def headline(finding: Finding) -> str:
    """Return what is wrong, as the title of its alert says it."""
    text = rationale_of(finding).headline
    return text[0].upper() + text[1:]


def respond(finding: Finding) -> str:
    """Return by when somebody has to act."""
    about = rationale_of(finding)
    return f"Urgent: {about.respond}" if about.urgent else f"Respond: {about.respond}"


def lead(report: Report) -> Finding | None:
    """Return the finding that comes first among those that are not over, None where there is none."""
    return min(standing(report), key=_rank, default=None)


def _rank(finding: Finding) -> tuple[bool, bool, int, float]:
    about = rationale_of(finding)
    return not about.urgent, finding.fault is Fault.BLIND, _GRAVITY[finding.severity], finding.raised


def _pump_setting(finding: Finding, site: Site) -> str:
    """Return the pressure to which the tank is pumped: the supply pressure as noted, else as measured."""
    seen = finding.evidence.get("supply_kpa")
    seen = seen if isinstance(seen, int | float) else None
    noted = None if site.supply is None else site.supply / units.KPA
    setting = seen if noted is None else noted
    if setting is None:
        return f"The supply pressure at the tank, not known here: gauge it on site; {_RELIEVED}."
    text = f"{words.pressure(setting, site.unit)}, the supply pressure; gauge that first; {_RELIEVED}."
    if noted is None or seen is None or abs(seen - noted) <= _AGREE * noted:
        return text
    return (
        f"{text} The site file notes this supply pressure, the sensor saw {words.pressure(seen, site.unit)} "
        "at rest: the gauge on site decides."
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
