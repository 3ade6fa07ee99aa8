"""Pictures of the evidence behind an alert: the line pressure with the heater's burns, and the air charge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.diagnosis.report import Report
from monitor.estimation.samples import FloatArray
from monitor.readings import Point
from monitor.site import Site
from monitor.web import pictures
from monitor.web.charts import standalone
from monitor.web.png import png

SPAN: Final = 2 * 86400.0
"""How much of the line pressure is shown: a day and a night twice. [s]"""
SIZE: Final = (860, 320)
_HEATING: Final = 0.5
_GAP: Final = 1800.0
"""Longest silence of the heater's state over which its last word is believed. [s]"""

Read = Callable[[Point, float, float, int], tuple[FloatArray, FloatArray]]
"""From a point, a span and the number of readings that are enough, to times and values."""


def evidence(site: Site, report: Report, end: float | None, read: Read) -> list[bytes]:
    """Return the pictures of a site up to ``end`` (epoch s, its newest reading), none where there is nothing to see."""
    charts = []
    if end is not None:
        time, kpa = read(Point.PRESSURE, end - SPAN, end + 1.0, pictures.POINTS)
        line = pictures.line_pressure(site, time, kpa, report.findings)
        if line is not None:
            heat = burns(*read(Point.HEATER, end - SPAN, end + 1.0, 20 * pictures.POINTS))
            shaded = "; shaded: the heater burns." if heat else "; no burn of the heater was reported."
            charts.append(replace(line, title=line.title.rstrip(".") + shaded, spans=heat))
    air = pictures.air_charge(site, report, ())
    if air is not None:
        charts.append(air)
    return [png(standalone(chart, *SIZE), zoom=1) for chart in charts]


def burns(time: FloatArray, on: FloatArray) -> Sequence[tuple[float, float]]:
    """Return the spans in which the heater is reported on."""
    if len(time) == 0:
        return ()
    until = np.minimum(np.append(time[1:], time[-1]), time + _GAP)
    spans: list[tuple[float, float]] = []
    for begin, end in zip(time[on > _HEATING].tolist(), until[on > _HEATING].tolist(), strict=True):
        if spans and begin <= spans[-1][1]:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((begin, end))
    return tuple(spans)
