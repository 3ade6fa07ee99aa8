"""What the templates show, in words: built from the board's records, with no HTML in it but charts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from monitor import units
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.readings import Point
from monitor.service.ports import Event, EventState, SiteView
from monitor.service.urgency import last_heard, silent
from monitor.site import Site
from monitor.web import charts, words

_STATES: Final = {
    Verdict.FAULT: "Fault",
    Verdict.BLIND: "Cannot tell",
    Verdict.DOUBTFUL: "Doubtful",
    Verdict.LEARNING: "Learning",
    Verdict.HOLDING: "Holding",
}
_STANDING: Final = {
    EventState.ACTIVE_UNACKNOWLEDGED: "nobody has taken it yet",
    EventState.ACTIVE_ACKNOWLEDGED: "acknowledged",
    EventState.RETURNED_UNACKNOWLEDGED: "over; nobody has acknowledged it",
    EventState.NORMAL: "over",
}

_WAITING: Final = (EventState.ACTIVE_UNACKNOWLEDGED, EventState.RETURNED_UNACKNOWLEDGED)
_GRAVITY: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}
_SPENT: Final = (Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST)
_POINTS: Final = {
    Point.PRESSURE: "Line pressure",
    Point.HEATER: "Heater",
    Point.TEMPERATURE: "Temperature",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One site in a glance."""

    id: str
    name: str
    state: str
    word: str
    why: str
    since: str
    charge: str
    interval: str
    left: str
    age: str
    heard: str
    strip: Markup


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


def row(view: SiteView, now: float) -> Row:
    """Return the glance at a site."""
    site, report = view.site, view.report
    heard = last_heard(view)
    quiet = silent(view, now)
    estimate = report.air_charge[-1] if report.air_charge else None
    state, word, why = report.verdict.value, _word(view), report.verdict_why
    if quiet:
        word = word if report.verdict is Verdict.FAULT else "Not heard"
        state = state if report.verdict is Verdict.FAULT else "silent"
        told = "No reading yet." if heard is None else f"No reading for {words.span(now - heard)}."
        why = f"{told} Before that: {why}" if heard is not None and why else told
    return Row(
        id=site.id,
        name=site.name or site.id,
        state=state,
        word=word,
        why=why,
        since=_since(view, now),
        charge=words.pressure(estimate.kpa, site.unit) if estimate else "not known yet",
        interval=words.interval(estimate, site.unit) if estimate else "",
        left=left(site, report, now),
        age="never" if heard is None else words.ago(heard, now),
        heard="" if heard is None else words.moment(heard, site.timezone),
        strip=_strip(view),
    )


def summary(rows: Sequence[Row]) -> str:
    """Return the state of all sites in one sentence."""
    count = {state: sum(one.state == state for one in rows) for state in ("fault", "holding", "learning")}
    unseen = len(rows) - sum(count.values())
    parts = [
        f"{count['fault']} with a fault" if count["fault"] else "",
        f"{unseen} of which nothing can be told" if unseen else "",
        f"{count['learning']} being learnt" if count["learning"] else "",
        f"{count['holding']} holding" if count["holding"] else "",
    ]
    total = "1 site" if len(rows) == 1 else f"{len(rows)} sites"
    return f"{total}: {', '.join(part for part in parts if part)}." if rows else "No site is configured."


def events(view: SiteView, *, standing: bool) -> list[Card]:
    """Return the events that stand, or those that are over, newest first."""
    # The report may know more of a finding than was known when the event was raised.
    newest = {(one.fault, one.raised): one for one in view.report.findings}
    return [
        card(newest.get((event.finding.fault, event.finding.raised), event.finding), view.site, event)
        for event in view.events
        if (event.finding.ended is None) is standing
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
    if any(finding.fault in _SPENT for finding in _standing(report)):
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


def _standing(report: Report) -> list[Finding]:
    return [finding for finding in report.findings if finding.ended is None]


def _word(view: SiteView) -> str:
    """Return the verdict in a word, or the fault that stands, the gravest first."""
    faults = sorted(_standing(view.report), key=lambda one: _GRAVITY[one.severity])
    if view.report.verdict is Verdict.FAULT and faults:
        return words.fault(faults[0].fault)
    return _STATES[view.report.verdict]


def _since(view: SiteView, now: float) -> str:
    report, zone = view.report, view.site.timezone
    if report.verdict is Verdict.FAULT and _standing(view.report):
        return f"since {words.date(min(one.began for one in _standing(view.report)), zone)}"
    if report.verdict is Verdict.BLIND and report.blind:
        return f"since {words.date(report.blind[-1].start, zone)}"
    if report.last_window is not None:
        return f"last clean heating window {words.ago(report.last_window, now)}"
    return ""


def _strip(view: SiteView) -> Markup:
    if not view.report.air_charge:
        return Markup()
    one, forecast = view.report.air_charge[-1], view.report.forecast
    limit = forecast.limit_kpa if forecast else None
    wanted = [(pressure or 0.0) / units.KPA for pressure in (view.site.supply, view.site.precharge)]
    most = 1.2 * max(*wanted, one.kpa, limit or 0.0, 1.0)
    return charts.strip(one.low_kpa, one.kpa, one.high_kpa, limit, most)
