"""One site in a glance, and all sites in one sentence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from monitor import units
from monitor.diagnosis.faults import Severity
from monitor.diagnosis.report import Verdict
from monitor.service.ports import SiteView
from monitor.service.urgency import last_heard, silent
from monitor.web import charts, words
from monitor.web.views import left, standing

_STATES: Final = {
    Verdict.FAULT: "Fault",
    Verdict.BLIND: "Cannot tell",
    Verdict.DOUBTFUL: "Doubtful",
    Verdict.LEARNING: "Learning",
    Verdict.HOLDING: "Holding",
}
_SUMMED: Final = {
    "fault": "with a fault",
    "blind": "cannot be judged now",
    "silent": "cannot be judged now",
    "doubtful": "doubtful",
    "learning": "being learnt",
    "holding": "holding",
}
"""How the heading speaks of each state, the most urgent first."""

_GRAVITY: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}


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
    if not rows:
        return "No site is configured."
    count = Counter(_SUMMED[one.state] for one in rows)
    if len(rows) == 1:
        return f"1 site: {next(iter(count))}."
    parts = [f"{count[words]} {words}" for words in dict.fromkeys(_SUMMED.values()) if count[words]]
    return f"{len(rows)} sites: {', '.join(parts)}."


def _word(view: SiteView) -> str:
    """Return the verdict in a word, or the fault that stands, the gravest first."""
    faults = sorted(standing(view.report), key=lambda one: _GRAVITY[one.severity])
    if view.report.verdict is Verdict.FAULT and faults:
        return words.fault(faults[0].fault)
    return _STATES[view.report.verdict]


def _since(view: SiteView, now: float) -> str:
    report, zone = view.report, view.site.timezone
    if report.verdict is Verdict.FAULT and standing(view.report):
        return f"since {words.date(min(one.began for one in standing(view.report)), zone)}"
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
