"""Commissioning of a site: rows from a store or a log, through the analyser, to checks and the accuracy to expect."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Accuracy, Commissioning, Interval
from monitor.diagnosis.commissioning.judge import judge, nothing
from monitor.diagnosis.commissioning.plates import WINDOWS
from monitor.diagnosis.commissioning.scene import scene_of
from monitor.diagnosis.report import Report
from monitor.estimation.samples import FloatArray, Samples, empty
from monitor.physics.atmosphere import pressure_at
from monitor.readings import Point
from monitor.service.analyser import Analyser
from monitor.service.pipeline import Aligner, in_order, to_samples
from monitor.service.ports import Store
from monitor.site import Site, Visit, VisitAction

HOUR: Final = 3600.0
MOST: Final = 72 * HOUR
"""Seconds of readings that are looked at."""

_DAY: Final = 24 * HOUR
_VACUUM: Final = 0.9  # of an atmosphere below it: no water line, but a wrong zero that a person must hear of


def commission(
    site: Site, rows: Samples, visits: Sequence[Visit] = (), refused: Sequence[str] = ()
) -> Commissioning:
    """Return whether a site is set up so that its cushion can be watched.

    Parameters
    ----------
    site : Site
        The facts of the site file.
    rows : Samples
        At most a few days of rows, heater and temperature held as the live service holds them.
    visits : sequence of Visit
        Service visits; those long before the rows tell nothing about them and are left out.
    refused : sequence of str
        Why messages of this site were refused, newest first.
    """
    rows = _possible(rows, pressure_at(site.altitude))
    if len(rows) < 2:
        return nothing(site, refused)
    start, end = float(rows.time[0]), float(rows.time[-1])
    near = [visit for visit in visits if start - _DAY <= visit.time <= end]
    analyser = _run(site, rows, near)
    report = analyser.report()
    scene = scene_of(site, rows, report, refused)
    return judge(scene, _accuracy(site, rows, near, analyser, report))


def piece(rows: Samples, *, latest: bool) -> Samples:
    """Return the first 72 h of rows, or the latest."""
    if len(rows) == 0:
        return rows
    if latest:
        return rows.between(int(np.searchsorted(rows.time, rows.time[-1] - MOST)), len(rows))
    return rows.between(0, int(np.searchsorted(rows.time, rows.time[0] + MOST, side="right")))


def stored_rows(store: Store, site: str, *, latest: bool) -> Samples:
    """Return the rows of the first 72 h of a site in the store, or of the latest, joined as the service does."""
    span = _pressure_span(store, site, latest=latest)
    if span is None:
        return empty()
    series = {point: store.readings(site, point, *span) for point in Point}
    return _joined(site, series)


def _pressure_span(store: Store, site: str, *, latest: bool) -> tuple[float, float] | None:
    """Return the span to read: from its first reading on, or up to its last."""
    span = store.span(site)
    if span is None:
        return None
    first, last = span
    return (max(first, last - MOST), last + 1.0) if latest else (first, first + MOST)


def _joined(site: str, series: Mapping[Point, tuple[FloatArray, FloatArray]]) -> Samples:
    aligner = Aligner()
    rows = [row for reading in in_order(site, series) for row in aligner.add(reading)]
    rows += aligner.reach(math.inf)
    return to_samples(rows) if rows else empty()


def _possible(rows: Samples, atmosphere: float) -> Samples:
    """Return the finite rows; what reads as a vacuum is held just above one, where gas still has a volume."""
    keep = np.isfinite(rows.time) & np.isfinite(rows.pressure)
    pressure = np.maximum(rows.pressure[keep], -_VACUUM * atmosphere / 1000.0)
    return Samples(rows.time[keep], pressure, rows.heater[keep], rows.temperature[keep])


def _run(site: Site, rows: Samples, visits: Sequence[Visit]) -> Analyser:
    analyser = Analyser(site)
    for visit in visits:
        analyser.visit(visit)
    analyser.feed(rows)
    return analyser


def _accuracy(
    site: Site, rows: Samples, visits: Sequence[Visit], analyser: Analyser, report: Report
) -> Accuracy | None:
    """Return the interval of now, and that after a gauge reading and the same days once more."""
    now = _interval(report)
    if now is None or report.windows < WINDOWS:
        return None
    warm = bool(np.isfinite(rows.temperature).any())
    without = replace(rows, temperature=np.full(len(rows), np.nan))
    blind = _interval(_run(site, without, visits).report()) if warm else None
    end = float(rows.time[-1])
    analyser.visit(Visit(end, VisitAction.GAUGED, max(now.kpa, 0.0) * 1000.0))
    # The same time of day again, so that nights stay nights.
    shift = _DAY * math.ceil((end - float(rows.time[0]) + 1.0) / _DAY)
    analyser.feed(replace(rows, time=rows.time + shift))
    return Accuracy(now, _interval(analyser.report()) or now, blind)


def _interval(report: Report) -> Interval | None:
    if not report.air_charge:
        return None
    last = report.air_charge[-1]
    return Interval(last.kpa, last.low_kpa, last.high_kpa)
