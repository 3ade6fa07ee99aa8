"""One site in a glance, and all sites in one sentence."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from monitor import units
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.report import Verdict
from monitor.service.ports import SiteView
from monitor.service.urgency import last_heard, silent
from monitor.web import charts, words, works
from monitor.web.views import headline, lead, left, respond, standing, weighed

_STATES: Final = {
    Verdict.FAULT: "Fault",
    Verdict.BLIND: "Cannot tell",
    Verdict.DOUBTFUL: "Doubtful",
    Verdict.LEARNING: "Learning",
    Verdict.HOLDING: "Holding",
}
NOT_WEIGHED: Final = "not weighed yet"
_SUMMED: Final = {
    "fault": "with a fault",
    "blind": "cannot be judged now",
    "silent": "cannot be judged now",
    "doubtful": "doubtful",
    "learning": "being learnt",
    "holding": "holding",
}
"""How the heading speaks of each state, the most urgent first."""


@dataclass(frozen=True, slots=True)
class Row:
    """One site in a glance.

    ``word``: what is wrong, or the verdict; ``present``: what is true of this moment; ``why``, ``respond`` and
    ``action`` are those of the finding that comes first, ``others`` what stands beside it. ``quiet``: why people are
    not told of the first.
    """

    id: str
    name: str
    state: str
    word: str
    respond: str
    urgent: bool
    present: str
    why: str
    action: str
    others: tuple[str, ...]
    quiet: str
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
    found = lead(report)
    state = report.verdict.value
    word = headline(found) if found else _STATES[report.verdict]
    if silent(view, now) and report.verdict is not Verdict.FAULT:
        state, word = "silent", word if found else "Not heard"
    estimate = weighed(report)
    return Row(
        id=site.id,
        name=site.name or site.id,
        state=state,
        word=word,
        respond=respond(found) if found else "",
        urgent=found is not None and rationale_of(found).urgent,
        present=_present(view, found, now),
        why=found.why if found else "",
        action=_first_sentence(found.action or rationale_of(found).action) if found else "",
        others=tuple(f"{headline(one)} ({respond(one)})" for one in standing(report) if one is not found),
        quiet=works.quiet_of(found, view) if found else "",
        since=_since(view, now),
        charge=words.air(estimate, site.unit) if estimate else NOT_WEIGHED,
        interval=words.interval(estimate, site.unit) if estimate else "",
        # What was in sight before the silence is not in sight now.
        left="not known" if state == "silent" and report.forecast is None else left(site, report, now),
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


def _present(view: SiteView, found: Finding | None, now: float) -> str:
    """Return the state of this moment in a sentence, without what the finding says of its own day."""
    report, heard = view.report, last_heard(view)
    told = report.verdict_why
    for one in standing(report):
        told = told.replace(one.why, "").strip()
    if silent(view, now):
        if heard is None:
            return "No reading yet."
        quiet = f"No reading for {words.span(now - heard)}."
        return f"{quiet} Before that: {told}" if told and found is None else quiet
    # Of a blind site the finding tells the same at more length.
    return "" if found is not None and found.fault is Fault.BLIND else told


def _first_sentence(text: str) -> str:
    return re.split(r"(?<=[.;]) +", text, maxsplit=1)[0].rstrip(";.") + "."


def _since(view: SiteView, now: float) -> str:
    report, zone = view.report, view.site.timezone
    if report.verdict is Verdict.FAULT and standing(view.report):
        return f"Since {words.date(min(one.began for one in standing(view.report)), zone)}"
    if report.verdict is Verdict.BLIND and report.blind:
        return f"Since {words.date(report.blind[-1].start, zone)}"
    if report.last_window is not None:
        return f"Last clean heating window {words.ago(report.last_window, now)}"
    return ""


def _strip(view: SiteView) -> Markup:
    one, forecast = weighed(view.report), view.report.forecast
    if one is None:
        return Markup()
    limit = forecast.limit_kpa if forecast else None
    wanted = [(pressure or 0.0) / units.KPA for pressure in (view.site.supply, view.site.precharge)]
    most = 1.2 * max(*wanted, one.kpa, limit or 0.0, 1.0)
    return charts.strip(one.low_kpa, one.kpa, one.high_kpa, limit, most)
