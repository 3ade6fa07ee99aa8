"""Laws of what missing data may do to the verdict: it may make a site blind, never well.

Rows, spans and cells of heater state and temperature are deleted from plants that stand at fault. What is
promised: a fault that was there from the first row, or for longer than evidence counts
(`EVIDENCE_LASTS`), never turns into "holding". What is not: if everything since a fault began is
deleted, the site may still be called holding until the evidence from before is that old; nobody can know better.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.diagnosis.report import Verdict
from monitor.diagnosis.sight import EVIDENCE_LASTS
from monitor.estimation.samples import Samples
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from tests.plants import faults
from tests.plants.cases import PSI, Case, cases
from tests.plants.leaks import Leaks
from tests.plants.trace import DAY
from tests.plants.write import START, plant

SIXTY: Final = 60e3 * PSI
SITE: Final = Site("house", heater=Heater(HeaterKind.STORAGE, 0.151, 11.7e3, 0.77, 54.0), unit="psi",
                   tank_volume=8e-3, precharge=SIXTY, supply=SIXTY, relief=150e3 * PSI)  # fmt: skip
DAYS: Final = 3.0
BEGAN: Final = 2.0 * DAY
LATER: Final = 5.5
"""Days after which what began on day 2 has been there for longer than evidence counts."""


def _faulty(began: float) -> dict[str, Case]:
    healthy = replace(cases()["healthy"], days=DAYS if began == 0.0 else LATER)
    leak = replace(healthy.fitting, leaks=Leaks(began=began, back=0.02))
    return {
        "sensor_stuck": replace(healthy, spoil=faults.stuck(began)),
        "heater_inverted": replace(healthy, spoil=faults.inverted(began)),
        "check_valve_passing": replace(healthy, fitting=leak),
    }


PLANTS: Final[dict[str, Case]] = {
    **{name: replace(cases()[name], days=DAYS)
       for name in ("low_from_start_gauged", "waterlogged_from_start", "relief_plateau")},
    **_faulty(0.0),
}  # fmt: skip
"""Plants that are faulty from the first row."""

CHANGED: Final = {
    "torn": replace(cases()["torn_day5"], days=8.5),
    "sensor_stuck_later": _faulty(BEGAN)["sensor_stuck"],
}
"""Plants whose fault began within the log, longer before its end than evidence counts."""

ALL: Final = {**PLANTS, **CHANGED}


@lru_cache(maxsize=len(ALL))
def rows_of(name: str) -> Samples:
    """Return all readings of a plant."""
    made = plant(ALL[name], 1)
    time, *columns = (made[key] for key in ("time", "pressure", "heater", "temperature"))
    return Samples(START + time, *columns)


def verdict(rows: Samples, end: float) -> Verdict:
    """Return the verdict at ``end``, told by the clock though readings may have stopped before."""
    analyser = Analyser(SITE)
    analyser.visit(Visit(START, VisitAction.GAUGED, SIXTY, SIXTY))
    analyser.feed(rows)
    analyser.tick(end)
    return analyser.report().verdict


spans = st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 0.5)), max_size=4)
thinned = st.sampled_from([0.0, 0.3, 0.8, 0.97])


def marked(count: int, blocks: list[tuple[float, float]], share: float, seed: int) -> np.ndarray:
    """Return which of ``count`` rows lie in these blocks (start and length, shares) or in a random share."""
    place = np.arange(count) / count
    gone = np.random.default_rng(seed).random(count) < share
    for start, length in blocks:
        gone |= (place >= start) & (place < start + length)
    return gone


def without(
    rows: Samples,
    gone: np.ndarray,
    heater: np.ndarray,
    temperature: np.ndarray,
) -> Samples:
    """Return the rows that are not ``gone``, with cells of heater and temperature made unknown."""
    keep = ~gone
    return Samples(
        rows.time[keep],
        rows.pressure[keep],
        np.where(heater, math.nan, rows.heater)[keep],
        np.where(temperature, math.nan, rows.temperature)[keep],
    )


@pytest.mark.parametrize("name", ALL)
def test_each_plant_stands_at_fault_while_nothing_is_missing(name: str) -> None:
    """So that the laws below are about something; and what began within a log is older than evidence."""
    rows = rows_of(name)
    assert verdict(rows, float(rows.time[-1])) is Verdict.FAULT
    began = max(wrong.began for wrong in ALL[name].wrong) if ALL[name].wrong else BEGAN
    assert name in PLANTS or rows.time[-1] - START - began > EVIDENCE_LASTS


def test_the_sound_plant_holds_and_its_verdict_can_be_lost() -> None:
    """Nothing missing: holding. Heater states missing all along, or a day of silence at the end: not."""
    sound = plant(replace(cases()["healthy"], days=DAYS), 1)
    rows = Samples(START + sound["time"], *(sound[k] for k in ("pressure", "heater", "temperature")))
    none, every = np.zeros(len(rows), bool), np.ones(len(rows), bool)
    end = float(rows.time[-1])
    assert verdict(rows, end) is Verdict.HOLDING
    assert verdict(without(rows, none, every, none), end) is Verdict.BLIND
    assert verdict(without(rows, rows.time > end - DAY, none, none), end) is Verdict.BLIND


@given(
    st.sampled_from(sorted(ALL)),
    spans,
    thinned,
    spans,
    spans,
    st.sampled_from([0.0, 0.5]),
    st.integers(0, 99),
)
@settings(max_examples=24, derandomize=True)
def test_no_deletion_turns_a_standing_fault_into_holding(
    name: str,
    rows_gone: list[tuple[float, float]],
    share: float,
    heater_gone: list[tuple[float, float]],
    temperature_gone: list[tuple[float, float]],
    cells: float,
    seed: int,
) -> None:
    rows = rows_of(name)
    count = len(rows)
    left = without(
        rows,
        marked(count, rows_gone, share, seed),
        marked(count, heater_gone, 0.2 * cells, seed + 1000),
        marked(count, temperature_gone, cells, seed + 2000),
    )
    assert verdict(left, float(rows.time[-1])) is not Verdict.HOLDING


@given(st.sampled_from(sorted(ALL)), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@settings(max_examples=10, derandomize=True)
def test_no_column_that_ends_turns_a_standing_fault_into_holding(
    name: str, heater_ends: float, temperature_ends: float
) -> None:
    """A device that falls silent for good, or was never there."""
    rows = rows_of(name)
    place = np.arange(len(rows)) / len(rows)
    left = without(rows, np.zeros(len(rows), bool), place >= heater_ends, place >= temperature_ends)
    assert verdict(left, float(rows.time[-1])) is not Verdict.HOLDING
