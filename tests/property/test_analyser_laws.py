"""Laws of the analyser on slices of whole plants: cuts do not show, nothing looks ahead, silence is not health.

The plants are those of the evaluation: draws and heater from outside libraries, pressure by its own line.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.estimation.samples import Samples
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from tests.plants.cases import PSI, cases
from tests.plants.trace import DAY
from tests.plants.write import START, plant

SIXTY: Final = 60e3 * PSI
FACTS: Final = Heater(HeaterKind.STORAGE, 0.151, 11.7e3, 0.77, 54.0)
SITE: Final = Site("house", heater=FACTS, unit="psi", tank_volume=8e-3, precharge=SIXTY, supply=SIXTY,
                   relief=150e3 * PSI)  # fmt: skip

# Name of a case, first and last day. In each a fault is raised.
SLICES: Final = [
    ("torn_day5", 4.0, 7.0),
    ("low_from_start_gauged", 0.0, 3.0),
    ("relief_plateau", 0.0, 1.5),
    ("silent_gap", 3.0, 7.5),
]
slices = st.sampled_from(SLICES)

few = settings(max_examples=12, derandomize=True)


@lru_cache(maxsize=8)
def rows_of(name: str, first: float, last: float) -> Samples:
    """Return days ``first`` to ``last`` of a case."""
    made = plant(cases()[name], 1)
    part = (made["time"] > first * DAY) & (made["time"] <= last * DAY)
    time, *columns = (made[key][part] for key in ("time", "pressure", "heater", "temperature"))
    return Samples(START + time, *columns)


def analyse(rows: Samples, cuts: list[float], visits: tuple[Visit, ...] = ()) -> tuple[list[Finding], Report]:
    """Return what was raised or ended, and the report, of rows cut at these shares of their number."""
    analyser = Analyser(SITE)
    for visit in visits:
        analyser.visit(visit)
    edges = [0, *sorted(round(cut * len(rows)) for cut in cuts), len(rows)]
    found = [one for a, b in pairwise(edges) for one in analyser.feed(rows.between(a, b))]
    return found, analyser.report()


@lru_cache(maxsize=8)
def whole(name: str, first: float, last: float) -> tuple[tuple[Finding, ...], Report]:
    """Return the outcome of a slice fed at once."""
    found, report = analyse(rows_of(name, first, last), [])
    return tuple(found), report


def kept(rows: Samples, keep: np.ndarray) -> Samples:
    """Return the rows for which ``keep`` is true."""
    return Samples(rows.time[keep], rows.pressure[keep], rows.heater[keep], rows.temperature[keep])


def says_json(found: list[Finding], report: Report) -> None:
    """Everything that leaves the analyser is plain and finite."""
    for one in found:
        assert all(type(v) in {int, float, str, type(None)} for v in one.evidence.values()), one.evidence
        json.dumps(dict(one.evidence), allow_nan=False)
        assert all(type(t) in {int, float} for t in (one.began, one.raised, one.confidence))
        assert one.began <= one.raised
        assert 0.0 <= one.confidence <= 1.0
        assert one.why
        assert one.action
        assert one.caution
    said = asdict(report)
    assert all(type(x) in {int, float, type(None)} for x in (report.worst_case_peak_kpa, report.supply_kpa))
    json.dumps({k: v for k, v in said.items() if k != "findings"}, allow_nan=False)
    for charge in report.air_charge:
        assert 0.0 <= charge.low_kpa <= charge.kpa <= charge.high_kpa


@pytest.mark.parametrize("part", SLICES, ids=[s[0] for s in SLICES])
def test_the_slices_are_worth_it(part: tuple[str, float, float]) -> None:
    """Each raises something, so that the laws below are about more than silence; and all of it is plain JSON."""
    found, report = whole(*part)
    assert found
    assert report.samples == len(rows_of(*part))
    says_json(list(found), report)


@given(slices, st.lists(st.floats(0.0, 1.0), max_size=30))
@few
def test_any_cut_gives_the_same_findings_and_the_same_report(
    part: tuple[str, float, float], cuts: list[float]
) -> None:
    found, report = analyse(rows_of(*part), cuts)
    assert (tuple(found), report) == whole(*part)


@given(st.integers(1, 400))
@settings(max_examples=4, derandomize=True)
def test_batches_of_any_size_give_the_same(size: int) -> None:
    """As a live service takes them: a few rows at a time."""
    rows = rows_of(*SLICES[2])
    analyser = Analyser(SITE)
    found = [
        one
        for first in range(0, len(rows), size)
        for one in analyser.feed(rows.between(first, min(first + size, len(rows))))
    ]
    assert (tuple(found), analyser.report()) == whole(*SLICES[2])


@given(
    slices,
    st.floats(0.05, 0.95),
    st.sampled_from(list(VisitAction)),
    st.lists(st.floats(0.0, 1.0), max_size=8),
)
@settings(max_examples=8, derandomize=True)
def test_a_visit_takes_effect_at_its_time_wherever_the_rows_are_cut(
    part: tuple[str, float, float], when: float, action: VisitAction, cuts: list[float]
) -> None:
    rows = rows_of(*part)
    at = float(rows.time[0] + when * (rows.time[-1] - rows.time[0]))
    visit = (Visit(at, action, SIXTY),)
    assert analyse(rows, cuts, visit) == analyse(rows, [], visit)


@given(slices, st.floats(0.0, 1.0))
@few
def test_nothing_looks_ahead(part: tuple[str, float, float], share: float) -> None:
    """What a prefix of the rows raises is a prefix of what all rows raise: fault, began, raised, words and all."""
    rows = rows_of(*part)
    some, report = analyse(rows.between(0, round(share * len(rows))), [])
    assert tuple(some) == whole(*part)[0][: len(some)]
    end = report.end if report.end is not None else -math.inf
    assert all(one.raised <= end for one in some)
    later = whole(*part)[0][len(some) :]
    assert all((one.raised if one.ended is None else one.ended) > end for one in later)
    # The days that were estimated by then are not estimated again, but for the one in progress.
    done = report.air_charge[:-1]
    assert done == whole(*part)[1].air_charge[: len(done)]


holes = st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 0.5)), max_size=4)


def without(rows: Samples, blocks: list[tuple[float, float]], thinned: float, seed: int) -> Samples:
    """Return rows without these blocks (start and length, shares) and a random share of the rest."""
    place = np.arange(len(rows)) / len(rows)
    keep = np.random.default_rng(seed).random(len(rows)) >= thinned
    for start, length in blocks:
        keep &= (place < start) | (place >= start + length)
    return kept(rows, keep)


def end_verdict(rows: Samples, end: float) -> Verdict:
    """Return the verdict at ``end``, told by the clock though readings may have stopped before."""
    analyser = Analyser(SITE)
    analyser.feed(rows)
    analyser.tick(end)
    return analyser.report().verdict


@given(st.sampled_from(SLICES[1:3]), holes, st.sampled_from([0.0, 0.3, 0.8, 0.97]), st.integers(0, 99))
@settings(max_examples=25, derandomize=True)
def test_no_deletion_makes_a_plant_hold_that_never_held(
    part: tuple[str, float, float], blocks: list[tuple[float, float]], thinned: float, seed: int
) -> None:
    """Low or lost from the first row on: blind, learning or a fault, whatever rows are missing."""
    rows = rows_of(*part)
    assert end_verdict(rows, rows.time[-1]) is Verdict.FAULT
    assert end_verdict(without(rows, blocks, thinned, seed), rows.time[-1]) is not Verdict.HOLDING


TORN: Final = ("torn_day5", 2.0, 9.0)


@given(st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 0.6)), max_size=3), st.sampled_from([0.0, 0.7]))
@settings(max_examples=12, derandomize=True)
def test_no_deletion_hides_a_torn_diaphragm_beyond_the_life_of_evidence(
    blocks: list[tuple[float, float]], thinned: float
) -> None:
    """Torn on day 5.3, looked at on day 9: what was seen before no longer counts, what came after is stiff."""
    rows = rows_of(*TORN)
    assert end_verdict(rows, rows.time[-1]) is Verdict.FAULT
    assert end_verdict(without(rows, blocks, thinned, 1), rows.time[-1]) is not Verdict.HOLDING


def test_a_burn_that_contradicts_is_no_evidence_that_all_is_well() -> None:
    """Torn on day 5.3; of the days after it a single burn is left: it may not renew what was believed before."""
    rows = rows_of(*TORN)
    seconds = rows.time - START
    on = np.flatnonzero((rows.heater > 0.5) & (seconds > 6.0 * DAY))
    starts = on[np.diff(on, prepend=-10) > 1]
    for start in starts[:12].tolist():
        near = np.abs(np.arange(len(rows)) - start - 60) < 160
        analyser = Analyser(SITE)
        analyser.feed(kept(rows, (seconds < 5.2 * DAY) | near))
        report = analyser.report()
        assert report.verdict is not Verdict.HOLDING, report.verdict_why


@given(slices, st.integers(0, 99), st.sampled_from([0.02, 0.3, 1.0]), st.sampled_from([math.nan, math.inf]))
@settings(max_examples=12, derandomize=True)
def test_values_that_are_not_numbers_never_crash(
    part: tuple[str, float, float], seed: int, share: float, pressure: float
) -> None:
    """Cells of any share of the rows, in turns: heater and temperature not known, pressure no number."""
    rows = rows_of(*part)
    rng = np.random.default_rng(seed)
    columns = [rows.pressure.copy(), rows.heater.copy(), rows.temperature.copy()]
    for column, value in zip(columns, (pressure, math.nan, math.nan), strict=True):
        if rng.random() < 0.7:
            column[rng.random(len(rows)) < share] = value
    found, report = analyse(Samples(rows.time, *columns), [0.3, 0.31, 0.7])
    says_json(found, report)


@given(
    st.lists(
        st.tuples(st.floats(0.5, 5000.0), st.floats(-100.0, 3000.0), st.sampled_from([0.0, 1.0, 2e4, math.nan]),
                  st.just(math.nan) | st.floats(-60.0, 200.0)),
        max_size=300,
    )
)  # fmt: skip
@settings(max_examples=60, derandomize=True)
def test_any_rows_are_taken(rows: list[tuple[float, float, float, float]]) -> None:
    """Pressures from a vacuum to 30 bar, temperatures from ice to steam, steps from half a second to hours."""
    columns = np.array(rows, dtype=float).reshape(-1, 4).T
    found, report = analyse(Samples(START + np.cumsum(columns[0]), *columns[1:]), [0.5])
    says_json(found, report)
    assert {one.fault for one in found} <= set(Fault)
