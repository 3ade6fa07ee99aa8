"""The proof that a repair held, as one HTML file: no network, no script, fit to be printed and sent on."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from jinja2 import Environment, PackageLoader, select_autoescape

from monitor import units
from monitor.diagnosis.report import ChargeEstimate
from monitor.service.proof import Proof
from monitor.site import Site, VisitAction
from monitor.web import charts, words
from monitor.web.charts import Chart, Level, Mark
from monitor.web.visits.words import DONE, facts, gauge, litres

HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
}
"""With which a page is served whose style is inside it."""

METHOD: Final = (
    "A sensor on the cold line reads its pressure, and the heater tells when it heats. Water that is heated grows; the "
    "air cushion in the tank takes that up, and the less air there is, the more the pressure rises. From the heat that "
    "went in and the rise that was seen while nobody drew water, each clean heating window weighs the air once.",
    "The gauge reading of the visit sets the scale; the weighings after it tell what has changed since. The interval "
    "holds the true charge nine times in ten, by tests on simulated plants.",
    "Held means: at the end of the watch the estimate is at least 96 % of the air that was left, the low end of its "
    "interval at least 90 %, from three weighings or more, with no fault standing that would bend them, and the tank "
    "was in sight for more than half of the time. Of 25 simulated tanks that lost 2 % of their air a day none passed "
    "for that, of 25 that lost 1 % a day four did.",
)

LIMITS: Final = (
    "It speaks of the days of the watch, not of those to come.",
    "It sees the whole system on one pressure sensor: which of two tanks, or where a leak is, it cannot tell.",
    "It does not see the inside of the tank, its bracket, its joint, or rust; a loss slower than it can weigh in this "
    "time it does not see either.",
    "It does not see whether a relief valve works. Never plug or cap one.",
    "It rests on what was written down at the visit and in the site file.",
    "Estimates from line pressure do not replace an inspection, nor the judgement of a licensed trade.",
)

_STYLE: Final = Path(charts.__file__).parent / "static" / "style.css"
_SIZES: Final = ((860, 280), (380, 260))


def page(proof: Proof, now: float) -> str:
    """Return the whole page; ``now``: when it was made. [epoch s]."""
    environment = Environment(
        loader=PackageLoader("monitor.web"),
        autoescape=select_autoescape(),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    site, watch = proof.site, proof.watch
    return environment.get_template("proof.html").render(
        style=_STYLE.read_text(encoding="utf-8"),
        title=f"{_what(watch.visit.action)} held for {watch.days} days",
        site=site,
        dated=words.date(now, site.timezone),
        span=(words.moment(watch.visit.time, site.timezone), words.moment(watch.end, site.timezone)),
        summary=_summary(proof),
        table=_table(proof),
        done=[(name, value) for name, value in facts(site, watch.visit) if name != "Action"],
        action=DONE[watch.visit.action],
        charts=[_chart(proof).svg(*size) for size in _SIZES],
        photos=[(one.sha256, one.kind.value.upper(), f"{one.size / 1024:.0f} KB") for one in proof.photos],
        method=METHOD,
        limits=LIMITS,
        blind=f"{watch.blind / words.HOUR:.0f} h" if watch.blind >= words.HOUR else "",
        windows=watch.windows,
        digest=proof.digest,
        facts=proof.facts,
        tank=_tank(proof),
    )


def _what(action: VisitAction) -> str:
    return {
        VisitAction.GAUGED: "The air charge",
        VisitAction.REFILLED: "The refill",
        VisitAction.REPLACED: "The new tank",
    }.get(action, "The charge")


def _tank(proof: Proof) -> str:
    volume = proof.watch.visit.tank_volume or proof.site.tank_volume
    return "volume not known" if volume is None else litres(proof.site, volume)


def _summary(proof: Proof) -> list[tuple[str, str]]:
    site, watch = proof.site, proof.watch
    found = watch.visit.before
    before = "not known" if proof.before is None else words.charge(proof.before, site.unit)
    return [
        (
            "Before, estimated" if found is None else "Found by gauge",
            before if found is None else gauge(site, found),
        ),
        ("Left by the visit, by gauge", gauge(site, watch.left * units.KPA)),
        (f"{watch.days} days later, estimated", _charge(watch.newest, site)),
        ("Weighed since", f"{watch.windows} times"),
    ]


def _table(proof: Proof) -> list[tuple[str, str, str, str]]:
    """Return what was read and estimated: what, when, how much, how sure."""
    site, watch, visit = proof.site, proof.watch, proof.watch.visit
    when = words.moment(visit.time, site.timezone)
    rows = []
    if proof.before is not None:
        rows.append(_estimated("Estimate before the visit", proof.before, site))
    if visit.supply is not None:
        rows.append(("Line at rest, gauged", when, gauge(site, visit.supply), "hand gauge"))
    if visit.before is not None:
        rows.append(("Air charge found, gauged", when, gauge(site, visit.before), "hand gauge"))
    if visit.precharge is not None:
        rows.append(("Air charge left, gauged", when, gauge(site, visit.precharge), "hand gauge"))
    days = {words.date(one.time, site.timezone): one for one in proof.series if one.time > visit.time}
    rows += [_estimated("Estimate", one, site) for one in days.values() if one is not watch.newest]
    if watch.newest is not None:
        rows.append(_estimated("Estimate at the end of the watch", watch.newest, site))
    return rows


def _estimated(name: str, one: ChargeEstimate, site: Site) -> tuple[str, str, str, str]:
    interval = f"{words.interval(one, site.unit)} (90 %)"
    return name, words.moment(one.time, site.timezone), words.air(one, site.unit), interval


def _charge(one: ChargeEstimate | None, site: Site) -> str:
    return "not known" if one is None else words.charge(one, site.unit)


def _chart(proof: Proof) -> Chart:
    site, watch, unit = proof.site, proof.watch, proof.site.unit
    series = proof.series

    def values(name: str) -> list[float]:
        return [words.in_unit(max(float(getattr(one, name)), 0.0), unit) for one in series]

    return Chart(
        f"Air charge before and after the visit, {unit}",
        unit,
        site.timezone,
        np.array([one.time for one in series]),
        np.array(values("kpa")),
        np.array(values("low_kpa")),
        np.array(values("high_kpa")),
        [Level(words.in_unit(watch.left, unit), "left by the visit")],
        [Mark(watch.visit.time, watch.visit.action.value)],
        gap=3 * words.DAY,
    )
