"""A relief valve that opens below its setting: rows made from a balance of volumes, and near misses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.ceiling import LowRelief
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples
from monitor.service.analyser import Analyser
from monitor.site import Visit, VisitAction
from tests.plants.asking import DAY, SITE, START, asked

STEP: Final = 5.0
CYCLE: Final = 3.0 * 3600.0
FLOW: Final = 1.0  # mL/s
GIVE: Final = 15.0  # mL/kPa
SUPPLY: Final = 414.0  # kPa


@dataclass(frozen=True)
class Line:
    """A burn every three hours of changing length, with ``draws`` in a third of them at any time.

    The valve opens at ``opens``, shuts at ``shuts`` [kPa]; ``back`` mL/(s kPa) passes the check valve.
    """

    opens: float = 1034.0
    shuts: float = 1034.0
    back: float = 0.0
    draws: float = 0.34
    every: float = 10.0
    noise: float = 0.3
    same: bool = False
    swing: float = 5.0

    def rows(self, days: float, start: float = START, seed: int = 3) -> Samples:
        """Return readings."""
        rng = np.random.default_rng(seed)
        time = np.arange(0.0, days * DAY, STEP)
        cycle, within = np.divmod(time, CYCLE)
        cycle = cycle.astype(int)
        length = rng.uniform(300.0, 1500.0, cycle[-1] + 1)
        if self.same:
            length[:] = 900.0
        tap = np.where(rng.random(len(length)) < self.draws, rng.uniform(0.0, length), -1.0)
        on = (within >= 3600.0) & (within < 3600.0 + length[cycle])
        late = within - 3600.0 - tap[cycle]
        drawn = (within < 60.0) | ((tap[cycle] >= 0.0) & (late >= 0.0) & (late < 60.0))
        street = SUPPLY + self.swing * np.sin(2.0 * np.pi * time / DAY)
        p = self._pressures(on, street, drawn)
        keep = slice(None, None, round(self.every / STEP))
        seen = np.round((p + rng.normal(0.0, self.noise, len(p)))[keep], 1)
        return Samples(start + time[keep], seen, on[keep].astype(float), np.full(len(seen), np.nan))

    def _pressures(self, on: np.ndarray, street: np.ndarray, drawn: np.ndarray) -> np.ndarray:
        p, heat, out = float(street[0]), 0.0, np.empty(len(on))
        for i, (burning, supply, tap) in enumerate(
            zip(on.tolist(), street.tolist(), drawn.tolist(), strict=True)
        ):
            heat += (float(burning) - heat) * STEP / 40.0
            p += (FLOW * heat - self.back * max(p - supply, 0.0)) * STEP / GIVE
            p = supply - 25.0 if tap else max(p, supply)
            if p > self.opens:
                p = max(self.shuts, supply)
            out[i] = p
        return out


def named(line: Line, days: float = 12.0) -> set[Fault]:
    """Return the faults that are certain at some time."""
    said = asked(LowRelief(SITE, plant_of(SITE)), line.rows(days))
    return {one.fault for _, one in said if one.probability >= CERTAIN}


@pytest.mark.parametrize("shuts", [437.0, 420.0, 400.0])
@pytest.mark.parametrize("every", [5.0, 15.0, 30.0])
def test_a_line_that_always_drops_from_one_height_has_a_valve_that_opens_there(
    shuts: float, every: float
) -> None:
    assert named(Line(opens=445.0, shuts=shuts, every=every)) == {Fault.RELIEF_DISCHARGING}


def test_a_line_that_stays_at_one_height_has_a_valve_that_opens_there() -> None:
    assert named(Line(opens=445.0, shuts=445.0, noise=1.0)) == {Fault.RELIEF_DISCHARGING}


@pytest.mark.parametrize(
    "line",
    [
        Line(),
        Line(draws=1.0),
        Line(draws=1.0, every=60.0),
        Line(draws=1.0, noise=3.0),
        Line(same=True, draws=0.0),
        Line(same=True, draws=0.6),
        Line(swing=40.0, draws=0.8),
    ],
    ids=["closed", "draws", "slow samples", "noise", "burns alike", "burns alike, draws", "supply swings"],
)
def test_draws_and_burns_that_are_alike_make_no_ceiling(line: Line) -> None:
    assert named(line) == set()


@pytest.mark.parametrize("tau", [60.0, 200.0, 700.0])
def test_a_valve_that_lets_growth_back_is_not_taken_for_it(tau: float) -> None:
    assert named(Line(back=GIVE / tau, draws=0.6)) == set()


def test_a_line_that_goes_past_it_again_ends_it() -> None:
    sign = LowRelief(SITE, plant_of(SITE))
    asked(sign, Line(opens=445.0, shuts=437.0).rows(8.0))
    after = asked(sign, Line().rows(6.0, START + 8.0 * DAY))
    assert after[-1][1].probability < CLEARED


def test_a_visit_starts_the_count_anew() -> None:
    sign = LowRelief(SITE, plant_of(SITE))
    line = Line(opens=445.0, shuts=437.0)
    asked(sign, line.rows(1.0))
    sign.visit(Visit(START + DAY, VisitAction.GAUGED))
    assert not asked(sign, line.rows(1.0, START + DAY))


def test_what_is_said_names_the_height_and_the_test_on_site() -> None:
    said = asked(LowRelief(SITE, plant_of(SITE)), Line(opens=445.0, shuts=437.0).rows(10.0))
    one = next(o for _, o in said if o.probability >= CERTAIN)
    assert "cannot tell" in one.seen
    assert "Test:" in one.seen
    assert "far below the setting of 150 psi" in one.seen
    assert float(one.evidence["ceiling_kpa"] or 0.0) == pytest.approx(445.0, abs=2.0)


def test_the_analyser_keeps_it_while_burns_end_below_the_setting() -> None:
    analyser = Analyser(SITE)
    analyser.feed(Line(opens=445.0, shuts=437.0).rows(12.0))
    found = [f for f in analyser.report().findings if f.fault is Fault.RELIEF_DISCHARGING]
    assert len(found) == 1
    assert found[0].ended is None
