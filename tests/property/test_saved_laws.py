"""A pipeline that was saved at any moment and read back knows, finds and does what it would have otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.diagnosis.faults import Finding
from monitor.readings import Point, Reading
from monitor.service.pipeline import SitePipeline, in_order
from monitor.service.saved import freeze, thaw
from monitor.site import Visit, VisitAction
from tests.property.test_analyser_laws import SITE, SIXTY, SLICES, rows_of

few = settings(max_examples=10, derandomize=True)


@lru_cache(maxsize=8)
def readings_of(name: str, first: float, last: float) -> Sequence[Reading]:
    rows = rows_of(name, first, last)
    series = {
        Point.PRESSURE: (rows.time, rows.pressure),
        Point.HEATER: (rows.time, rows.heater),
        Point.TEMPERATURE: (rows.time[::12], rows.temperature[::12]),
    }
    return tuple(in_order("house", series))


def followed(
    readings: Sequence[Reading], cuts: Sequence[float], visits: Sequence[Visit], *, saved: bool
) -> tuple[list[Finding], str]:
    """Return what changed and the report; with ``saved`` the pipeline is written and read at each cut."""
    pipeline, changed = SitePipeline(SITE), []
    edges = [0, *sorted(round(cut * len(readings)) for cut in cuts), len(readings)]
    for first, last in pairwise(edges):
        changed += pipeline.log_visits(visits)
        changed += pipeline.take(readings[first:last])
        if saved:
            pipeline = thaw(freeze(pipeline), SITE)
    changed += pipeline.tick(readings[-1].time + 86400.0)
    return changed, repr(pipeline.report())


@few
@given(
    part=st.sampled_from(SLICES),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=3),
    visit=st.floats(0.1, 0.9) | st.none(),
)
def test_saving_changes_nothing(
    part: tuple[str, float, float], cuts: list[float], visit: float | None
) -> None:
    readings = readings_of(*part)
    visits = []
    if visit is not None:
        when = readings[round(visit * (len(readings) - 1))].time
        visits = [Visit(when, VisitAction.REFILLED, precharge=SIXTY, supply=SIXTY)]
    assert followed(readings, cuts, visits, saved=True) == followed(readings, cuts, visits, saved=False)
