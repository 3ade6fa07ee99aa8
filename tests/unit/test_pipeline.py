"""The joint of point readings into rows: every rule of the module's header, and that batches never show."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.estimation.samples import Samples
from monitor.readings import Point, Reading
from monitor.service import pipeline
from monitor.service.pipeline import Aligner, Row, SitePipeline, hold, in_order
from monitor.site import Site, Visit, VisitAction

P, H, T = Point.PRESSURE, Point.HEATER, Point.TEMPERATURE


def reading(point: Point, time: float, value: float) -> Reading:
    return Reading("a", point, float(time), float(value))


def run(readings: list[Reading], until: float = math.inf) -> list[Row]:
    aligner = Aligner()
    rows = [row for one in readings for row in aligner.add(one)]
    return rows + aligner.reach(until)


def same(left: list[Row], right: list[Row]) -> bool:
    return np.array_equal(np.array(left), np.array(right), equal_nan=True)


def test_one_row_per_pressure_with_the_state_last_known() -> None:
    rows = run(
        [
            reading(H, 0, 1),
            reading(P, 10, 400),
            reading(T, 12, 50),
            reading(P, 20, 410),
            reading(H, 25, 0),
            reading(P, 30, 405),
        ]
    )
    assert same(rows, [Row(10, 400, 1, math.nan), Row(20, 410, 1, 50), Row(30, 405, 0, 50)])


@pytest.mark.parametrize("heater_first", [True, False])
def test_heater_of_the_same_stamp_is_joined_in_either_order(heater_first: bool) -> None:
    pair = [reading(H, 10, 1), reading(P, 10, 400)]
    assert same(run(pair if heater_first else pair[::-1]), [Row(10, 400, 1, math.nan)])


def test_a_row_is_final_only_when_the_site_is_heard_15_seconds_later() -> None:
    aligner = Aligner()
    assert aligner.add(reading(P, 100, 400)) == []
    assert aligner.add(reading(H, 114.9, 0)) == []
    assert len(aligner.add(reading(H, 115, 0))) == 1


def test_a_pressure_before_its_final_row_is_late_and_left_out() -> None:
    aligner = Aligner()
    for time in (0, 10, 20, 30):
        aligner.add(reading(P, time, 400))
    assert aligner.add(reading(P, 5, 999)) == []
    assert aligner.late == 1
    assert [row.time for row in aligner.reach(100)] == [20, 30]


def test_pressure_in_batches_behind_a_prompt_heater_is_not_late() -> None:
    """A device that sends its pressure once a minute, and the heater at each change."""
    aligner = Aligner()
    aligner.add(reading(H, 0, 0))
    aligner.add(reading(H, 30, 1))
    aligner.add(reading(H, 60, 0))
    rows = [row for time in range(0, 61, 10) for row in aligner.add(reading(P, time, 400))]
    rows += aligner.reach(100)
    assert [row.heater for row in rows] == [0, 0, 0, 1, 1, 1, 0]
    assert aligner.late == 0


def test_after_one_batch_that_comes_late_the_next_ones_are_waited_for() -> None:
    """A device that sends a minute of pressure, then the heater states of that minute."""
    aligner, rows = Aligner(), []
    for minute in range(5):
        times = range(60 * minute, 60 * minute + 60, 10)
        batch = [reading(P, time, 400) for time in times] + [reading(H, time, minute) for time in times]
        rows += [row for one in batch for row in aligner.add(one)]
    assert aligner.late == 4  # those of the first minute whose rows had waited for 15 s
    assert [row.heater for row in rows[6:]] == [row.time // 60 for row in rows[6:]]
    assert len(rows) > 18


def test_a_late_heater_counts_for_later_rows() -> None:
    aligner = Aligner()
    for time in (0, 10, 20, 30):
        aligner.add(reading(P, time, 400))
    aligner.add(reading(H, 5, 1))
    assert [row.heater for row in aligner.reach(100)] == [1, 1]
    assert aligner.late == 1


def test_state_across_a_long_silence_is_unknown_until_reported_again() -> None:
    readings = [
        reading(H, 0, 1),
        reading(P, 0, 400),
        reading(P, 900, 400),
        reading(P, 1801, 400),
        reading(H, 1810, 1),
        reading(P, 1820, 400),
    ]
    assert [row.heater for row in run(readings)] == pytest.approx([1, 1, math.nan, 1], nan_ok=True)


def test_a_state_reported_on_change_holds_for_days_while_the_site_is_heard() -> None:
    readings = [reading(H, 0, 0), *(reading(P, 600 * n, 400) for n in range(500))]
    assert {row.heater for row in run(readings)} == {0.0}


def test_of_two_values_with_one_stamp_the_first_counts() -> None:
    readings = [reading(H, 0, 1), reading(H, 0, 0), reading(P, 0, 400), reading(P, 0, 500)]
    assert same(run(readings), [Row(0, 400, 1, math.nan)])


def test_what_a_cut_off_device_sends_later_is_not_late() -> None:
    aligner = Aligner()
    aligner.add(reading(P, 10, 400))
    assert [row.time for row in aligner.reach(5000)] == [10]
    assert [row.time for time in (20, 30, 40) for row in aligner.add(reading(P, time, 400))] == [20]
    assert aligner.late == 0


def test_history_without_pressure_stays_small() -> None:
    aligner = Aligner()
    for n in range(100_000):
        aligner.add(reading(H, n, n % 2))
    assert len(aligner._held[H]._entries) <= 3601
    assert len(aligner._seen) <= 3601


# ---- laws


@st.composite
def streams(draw: st.DrawFn) -> list[Reading]:
    """Readings of a site on a 1 s grid with silences; each point at most once per instant."""
    gaps = st.one_of(st.integers(0, 20), st.integers(0, 20), st.integers(850, 2000))
    found: dict[tuple[Point, int], float] = {}
    time = 0
    for gap in draw(st.lists(gaps, max_size=60)):
        time += gap
        point = draw(st.sampled_from([P, P, H, T]))
        found.setdefault((point, time), float(draw(st.integers(0, 9))))
    return [reading(point, time, value) for (point, time), value in found.items()]


def oracle(readings: list[Reading]) -> list[Row]:
    """Return the rows by the words of the header, slowly and with all readings known."""
    seen = sorted({one.time for one in readings})
    rows = []
    for one in sorted((r for r in readings if r.point is P), key=lambda r: r.time):
        known = [t for t in seen if t <= one.time]
        since = max([b for a, b in itertools.pairwise(known) if b - a > 900], default=-math.inf)
        held = {
            point: max(
                ((r.time, r.value) for r in readings if r.point is point and since <= r.time <= one.time),
                default=(0, math.nan),
            )[1]
            for point in (H, T)
        }
        rows.append(Row(one.time, one.value, held[H], held[T]))
    return rows


@given(streams(), st.data())
def test_rows_do_not_depend_on_the_order_of_arrival_within_the_hold_back(
    readings: list[Reading], data: st.DataObject
) -> None:
    delays = data.draw(st.lists(st.floats(0, 14.9), min_size=len(readings), max_size=len(readings)))
    arrived = [
        one for _, one in sorted(zip(delays, readings, strict=True), key=lambda pair: pair[1].time + pair[0])
    ]
    assert same(run(arrived), oracle(readings))


CELL = st.one_of(st.none(), st.integers(0, 9))


@given(
    st.lists(
        st.tuples(st.one_of(st.integers(1, 20), st.integers(850, 2000)), CELL, CELL), min_size=1, max_size=40
    )
)
def test_a_log_with_empty_cells_gives_the_rows_of_the_same_readings_live(
    steps: list[tuple[int, int | None, int | None]],
) -> None:
    time, readings, cells = 0, [], []
    for gap, heater, temperature in steps:
        time += gap
        cells.append(
            (
                time,
                400.0,
                math.nan if heater is None else heater,
                math.nan if temperature is None else temperature,
            )
        )
        found = [(P, 400.0), (H, heater), (T, temperature)]
        readings += [reading(point, time, value) for point, value in found if value is not None]
    log = Samples(*(np.array(column, dtype=float) for column in zip(*cells, strict=True)))
    filled = hold(log)
    rows = [Row(*row) for row in zip(*(getattr(filled, name).tolist() for name in Row._fields), strict=True)]
    assert same(rows, run(readings))


@given(st.lists(st.tuples(st.sampled_from([P, P, H, T]), st.integers(0, 3000)), max_size=80))
def test_rows_are_strictly_increasing_whatever_comes(found: list[tuple[Point, int]]) -> None:
    times = [row.time for row in run([reading(point, time, 1) for point, time in found])]
    assert all(a < b for a, b in itertools.pairwise(times))


class Recorder:
    """Stands in for the analyser: its finding is the exact sequence of rows and visits it was given."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.heard: list[tuple[float, ...]] = []

    def feed(self, samples: Samples) -> list[Finding]:
        self.heard += list(
            zip(
                samples.time.tolist(),
                samples.pressure.tolist(),
                np.nan_to_num(samples.heater, nan=-1).tolist(),
                np.nan_to_num(samples.temperature, nan=-1).tolist(),
                strict=True,
            )
        )
        return [_finding(time) for time in samples.time if time % 100 == 0]

    def visit(self, visit: Visit) -> list[Finding]:
        self.heard.append((visit.time,))
        return []

    def tick(self, now: float) -> list[Finding]:
        return []

    def report(self) -> Report:
        return Report("a", None, None, 0, Verdict.LEARNING, "", (), None, None, (), (), None, None, 0)


def _finding(time: float) -> Finding:
    return Finding(Fault.BLIND, time, time, Severity.LOW, 0.9, "", "", "")


def _visit(time: float) -> Visit:
    return Visit(time=time, action=VisitAction.GAUGED, precharge=4e5)


@given(
    st.lists(st.tuples(st.sampled_from([P, P, H, T]), st.integers(0, 400), st.integers(0, 3)), max_size=60),
    st.lists(st.integers(0, 60), max_size=6),
)
def test_findings_do_not_depend_on_the_cut_into_batches(
    found: list[tuple[Point, int, int]], cuts: list[int]
) -> None:
    readings = [reading(*one) for one in found]
    edges = sorted({0, len(readings), *(cut for cut in cuts if cut < len(readings))})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "Analyser", Recorder)
        whole, parts = SitePipeline(Site("a")), SitePipeline(Site("a"))
        once = whole.take(readings) + whole.tick(1000)
        often = [
            finding
            for first, last in itertools.pairwise(edges)
            for finding in parts.take(readings[first:last])
        ] + parts.tick(1000)
    assert often == once
    assert parts._analyser.heard == whole._analyser.heard  # type: ignore[attr-defined]


def test_a_visit_is_told_once_however_often_it_is_read() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "Analyser", Recorder)
        site = SitePipeline(Site("a"))
        for _ in range(3):
            site.log_visits([_visit(5)])
            site.tick(10)
    assert site._analyser.heard == [(5.0,)]  # type: ignore[attr-defined]


def test_a_store_is_replayed_in_the_order_of_time() -> None:
    series = {
        P: (np.array([0.0, 10.0]), np.array([1.0, 2.0])),
        H: (np.array([5.0]), np.array([3.0])),
        T: (np.empty(0), np.empty(0)),
    }
    assert list(in_order("a", series)) == [reading(P, 0, 1), reading(H, 5, 3), reading(P, 10, 2)]
