"""The alert that people get about a finding: what, since when, how sure, what follows, what to do first.

Pure functions. All text that comes from settings or devices is put in as it is, never as a pattern.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from typing import Final

from monitor.alerting.wording import clean, day, moment, plain, pressure, span, stamp
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.rationale import Rationale, rationale_of
from monitor.diagnosis.report import Report
from monitor.diagnosis.words import sureness
from monitor.service.ports import Alert
from monitor.site import Site
from monitor.units import KPA, from_si

TITLE_LENGTH: Final = 120
DAYS: Final = 2 * 86_400.0
"""Age from which the beginning of a fault is told to the day. [s]"""

SUPPLIES_AGREE: Final = 0.1
"""Share by which the measured and the noted supply pressure may differ before both are shown."""

RELIEVED: Final = "set it with the water side relieved"


def raised_alert(finding: Finding, site: Site, report: Report, created: float) -> Alert:
    """Return the alert that a fault has been found. ``created``: epoch seconds UTC.

    The store adds the number of the event; `signed` puts it into the text.
    """
    about, zone = rationale_of(finding), site.timezone
    cautions = list(_cautions(finding, about))
    lines = [
        *(f"{text}\n" for text in cautions[: int(about.urgent)]),
        f"What is seen: {clean(finding.why) or 'see the page of the site.'}",
        f"Since: {_beginning(finding, zone)}; raised {moment(finding.raised, zone)}.",
        f"How sure: {sureness(finding.confidence)}.",
        f"If nothing is done: {about.consequence}",
        *(_forecast(finding, site, report) if about.forecast else ()),
        "",
        f"Respond: {about.respond}.",
        f"Do first: {clean(finding.action) or about.action}",
        *(_pump_setting(site, report) if about.refill else ()),
        "",
        *(f"Caution: {text}" for text in cautions[int(about.urgent) :]),
        "",
        *_facts(site, report),
    ]
    return _alert(finding, site, "\n".join(lines), created, ended=False)


def ended_alert(finding: Finding, site: Site, report: Report, created: float) -> Alert:
    """Return the alert that a fault has returned to normal. ``created``: epoch seconds UTC."""
    about = rationale_of(finding)
    ended = report.end if finding.ended is None else finding.ended
    over = "" if ended is None else f", over {moment(ended, site.timezone)}"
    lines = [
        "Back to normal.",
        "",
        f"What was seen: {clean(finding.why) or 'see the page of the site.'}",
        f"Raised {moment(finding.raised, site.timezone)}{over}.",
        f"What remains: {about.over}",
        "",
        *_facts(site, report),
    ]
    return _alert(finding, site, "\n".join(lines), created, ended=True)


def signed(alert: Alert) -> str:
    """Return the body with what tells a repeat: the number of the event and the key."""
    number = "" if alert.event is None else f"Event {alert.event}, "
    return f"{alert.body}\n\n{number}reference {alert.key}. The same reference twice is the same alert."


def _news(finding: Finding) -> str:
    """Return what has become known of the finding after it was raised, as the end of its key; empty if nothing."""
    since = finding.evidence.get("relief_discharging_since")
    if isinstance(since, int | float) and since > finding.raised:
        return "/relief"
    return "/near-relief" if "near_relief_since" in finding.evidence else ""


def _alert(finding: Finding, site: Site, body: str, created: float, *, ended: bool) -> Alert:
    about = rationale_of(finding)
    name = plain(site.name, site.id)
    state = "OVER" if ended else "URGENT" if about.urgent else finding.severity.value.upper()
    key = f"{site.id}/{finding.fault.value}/{stamp(finding.raised)}"
    return Alert(
        key=f"{key}/ended" if ended else f"{key}{_news(finding)}",
        site=site.id,
        # Cut the name, not the fault: the fault is what a small screen must show.
        title=f"[{state}] {name[: TITLE_LENGTH - len(about.headline) - 15]}: {about.headline}",
        body=body,
        severity=finding.severity.value,
        created=created,
    )


def _name(site: Site) -> str:
    return clean(site.name) or site.id


def _beginning(finding: Finding, timezone: str) -> str:
    """Return when it began, to the day where it is an estimate over days, as the minute would be made up."""
    long_ago = finding.raised - finding.began > DAYS
    return "about " + (day if long_ago else moment)(finding.began, timezone)


def _forecast(finding: Finding, site: Site, report: Report) -> Iterable[str]:
    """Yield when the air charge reaches its limit, where that is still ahead."""
    ahead = report.forecast
    if ahead is None or ahead.limit_date <= finding.raised:
        return
    first = day(ahead.low, site.timezone)
    last = "later, or never" if ahead.high is None else day(ahead.high, site.timezone)
    yield (
        f"Forecast: the air charge falls below {pressure(ahead.limit_kpa, site.unit)} about "
        f"{day(ahead.limit_date, site.timezone)} (90 % sure: from {first} to {last})."
    )


def _pump_setting(site: Site, report: Report) -> Iterable[str]:
    """Yield the pressure to which the tank is pumped: the supply pressure as noted, else as measured."""
    noted = None if site.supply is None else site.supply / KPA
    seen = report.supply_kpa
    setting = seen if noted is None else noted
    if setting is None:
        yield f"Pump setting: the supply pressure at the tank, not known here: gauge it on site; {RELIEVED}."
        return
    yield f"Pump setting: {pressure(setting, site.unit)}, the supply pressure; gauge that first; {RELIEVED}."
    if noted is not None and seen is not None and abs(seen - noted) > SUPPLIES_AGREE * noted:
        yield (
            f"The site file notes this supply pressure, the sensor sees {pressure(seen, site.unit)} at rest: "
            "the gauge on site decides."
        )


def _cautions(finding: Finding, about: Rationale) -> Iterable[str]:
    """Yield what this fault warns of, then what holds for any work: in the finding's words if it has some.

    So what an urgent fault says first is never left out, whatever the finding says.
    """
    yield from about.cautions
    yield from [own] if (own := clean(finding.caution)) else about.general


def _facts(site: Site, report: Report) -> Iterable[str]:
    unit = site.unit
    yield f"Site: {_name(site)} ({site.id})"
    yield f"Heater: {_listed(_heater(site))}"
    yield f"Tank: {_listed(_tank(site))}"
    yield f"Line: {_listed(_line(site, report))}"
    if report.air_charge:
        newest = report.air_charge[-1]
        # Less air than a tank open to the room holds cannot be told from none: no gauge shows less than zero.
        kpa, low, high = (max(value, 0.0) for value in (newest.kpa, newest.low_kpa, newest.high_kpa))
        yield (
            f"Air charge on {day(newest.time, site.timezone)}: {pressure(kpa, unit)} "
            f"(90 % sure: {span(low, high, unit)})"
        )
    yield from _peak(site, report)


def _peak(site: Site, report: Report) -> Iterable[str]:
    """Yield what a full heat-up would do; beyond the relief setting the line does not go."""
    peak, relief = report.worst_case_peak_kpa, site.relief
    if peak is None:
        return
    if relief is not None and peak >= relief / KPA:
        yield "A full heat-up without a draw would open the relief valve today"
    elif isfinite(peak):
        yield f"A full heat-up without a draw would reach {pressure(peak, site.unit)} today"


def _heater(site: Site) -> Iterable[str]:
    heater = site.heater
    yield heater.kind.value
    if heater.volume is not None:
        yield _both(heater.volume, site, "volume", "L", "gal")
    if heater.input is not None:
        yield f"{heater.input / 1000:.3g} kW"
    if heater.setpoint is not None:
        yield f"setpoint {_both(heater.setpoint, site, 'temperature', 'degC', 'degF')}"


def _tank(site: Site) -> Iterable[str]:
    if site.tank_volume is not None:
        yield _both(site.tank_volume, site, "volume", "L", "gal")
    if site.precharge is not None:
        yield f"precharge as last noted {pressure(site.precharge / KPA, site.unit)}"


def _line(site: Site, report: Report) -> Iterable[str]:
    if report.supply_kpa is not None:
        yield f"supply measured {pressure(report.supply_kpa, site.unit)}"
    if site.supply is not None:
        yield f"supply noted {pressure(site.supply / KPA, site.unit)}"
    if site.relief is not None:
        yield f"relief setting {pressure(site.relief / KPA, site.unit)}"


def _both(value: float, site: Site, kind: str, metric: str, customary: str) -> str:
    """Return a quantity in metric units; where pressures are in psi in customary units too."""
    text = f"{from_si(value, metric, kind):.3g} {metric}"
    return f"{text} ({from_si(value, customary, kind):.3g} {customary})" if site.unit == "psi" else text


def _listed(parts: Iterable[str]) -> str:
    return ", ".join(parts) or "not known"
