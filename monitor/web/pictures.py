"""The two charts of a site: its line pressure, and its air charge with all that is known around it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from monitor import units
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import ChargeEstimate, Report
from monitor.estimation.samples import FloatArray
from monitor.site import Site, Visit
from monitor.web import words
from monitor.web.charts import Chart, Level, Mark

POINTS: Final = 1200
"""About as many values as a chart can show."""

SIZES: Final = (("wide", 860, 260), ("narrow", 380, 240))
"""For a desk and for a phone; the style sheet shows one of them."""


def drawn(chart: Chart | None) -> dict[str, Any] | None:
    """Return the title of a chart and its pictures in all sizes, as the templates need them."""
    if chart is None:
        return None
    return {
        "title": chart.title,
        "pictures": [(name, chart.svg(width, height)) for name, width, height in SIZES],
    }


def air_charge(site: Site, report: Report, visits: Sequence[Visit]) -> Chart | None:
    """Return the chart of the air charge, None before the first window: a guess is not drawn."""
    if not (report.windows and report.air_charge):
        return None
    estimates = _thinned(report.air_charge)
    unit = site.unit
    levels = []
    if report.forecast is not None:
        levels.append(
            Level(words.in_unit(report.forecast.limit_kpa, unit), "limit of the air charge", "limit")
        )
    if site.supply is not None:
        levels.append(Level(units.from_si(site.supply, unit), "supply pressure"))
    marks = [Mark(visit.time, visit.action.value) for visit in visits]
    marks += [_event(finding) for finding in report.findings]
    return Chart(
        _charge_title(site, report.air_charge),
        unit,
        site.timezone,
        np.array([one.time for one in estimates]),
        np.array([words.in_unit(max(one.kpa, 0.0), unit) for one in estimates]),
        np.array([words.in_unit(max(one.low_kpa, 0.0), unit) for one in estimates]),
        np.array([words.in_unit(max(one.high_kpa, 0.0), unit) for one in estimates]),
        levels,
        marks,
        gap=3 * words.DAY,
    )


def line_pressure(site: Site, time: FloatArray, kpa: FloatArray, findings: Sequence[Finding]) -> Chart | None:
    """Return the chart of the line pressure, None where there is none."""
    if len(time) == 0:
        return None
    low, high = (words.pressure(float(value), site.unit, bare=True) for value in (kpa.min(), kpa.max()))
    title = f"Line pressure went from {low} to {high} {site.unit}"
    levels = []
    if site.relief is not None:
        title += f"; the relief valve opens at {words.pressure(site.relief / units.KPA, site.unit)}"
        if kpa.max() * units.KPA > 0.5 * site.relief:
            levels.append(Level(units.from_si(site.relief, site.unit), "relief valve setting", "limit"))
    values = np.asarray(kpa) * units.KPA / units.PRESSURE[site.unit].factor
    marks = [_event(finding) for finding in findings]
    return Chart(f"{title}.", site.unit, site.timezone, time, values, levels=levels, marks=marks)


def _event(finding: Finding) -> Mark:
    return Mark(finding.raised, words.fault(finding.fault), "event")


def _thinned(estimates: Sequence[ChargeEstimate]) -> list[ChargeEstimate]:
    """Return about `POINTS` estimates, evenly; the last one always."""
    step = max(1, len(estimates) // POINTS)
    return [*estimates[:-1:step], estimates[-1]]


def _charge_title(site: Site, estimates: Sequence[ChargeEstimate]) -> str:
    last = estimates[-1]
    title = f"Air charge {words.charge(last, site.unit)}"
    earlier = [one for one in estimates if one.time <= last.time - 7 * words.DAY]
    if not earlier:
        return f"{title}."
    change = last.kpa - earlier[-1].kpa
    known = (last.high_kpa - last.low_kpa) / 2
    if abs(change) <= known:
        return f"{title}, no certain change in the last 7 days."
    way = "down" if change < 0 else "up"
    return f"{title}, {way} {words.pressure(abs(change), site.unit)} in the last 7 days."
