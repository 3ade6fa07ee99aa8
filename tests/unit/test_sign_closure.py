"""A line that does not stay closed: told from all that only looks like it, on rows made from formulas."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.closure import Closure
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples
from monitor.service.analyser import Analyser
from monitor.site import HeaterKind, Site, Visit, VisitAction
from monitor.units import PSI
from simulator.catalogue import home
from simulator.faults import Fault as Planted
from simulator.faults import Kind
from simulator.recording import simulate
from tests.plants.asking import DAY, SITE, START, asked

SUPPLY = 60.0 * PSI / 1e3  # kPa
STEP: Final = 5.0
CYCLE: Final = 3.0 * 3600.0
FLOW: Final = 1.0  # mL/s while the burner is on
GIVE: Final = 15.0  # mL/kPa: 8 L of air at 515 kPa absolute


@dataclass(frozen=True)
class Line:
    """A burn every three hours, its length going round; water in the line by a balance of volumes.

    ``back`` mL/(s kPa) to the street, ``out`` mL/s out of a hole, ``settles`` share of a rise that warm gas
    gives back with 90 s, ``cools`` mL/s; ``tap`` seconds after burner-off at which somebody draws.
    """

    back: float = 0.0
    out: float = 0.0
    settles: float = 0.0
    cools: float = 0.005
    tap: float | None = None
    level: float = SUPPLY
    wander: float = 1.0
    noise: float = 0.3
    every: float = 10.0
    sticks: float = 0.0
    burns: tuple[float, ...] = (300.0, 600.0, 1200.0)

    def rows(self, days: float, start: float = START) -> Samples:
        """Return readings."""
        time = np.arange(0.0, days * DAY, STEP)
        cycle, within = np.divmod(time, CYCLE)
        length = np.array(self.burns)[cycle.astype(int) % len(self.burns)]
        on = (within >= 3600.0) & (within < 3600.0 + length)
        rng = np.random.default_rng(5)
        knots = np.arange(0.0, days * DAY + 1800.0, 1800.0)
        street = self.level + self.wander * np.interp(time, knots, rng.normal(0.0, 1.0, len(knots)))
        late = within - 3600.0 - length
        drawn = within < 60.0
        if self.tap is not None:
            drawn |= (late >= self.tap) & (late < self.tap + 60.0)
        p = self._pressures(on, street, drawn)
        keep = slice(None, None, round(self.every / STEP))
        seen = np.round((p + rng.normal(0.0, self.noise, len(p)))[keep], 1)
        return Samples(start + time[keep], seen, on[keep].astype(float), np.full(len(seen), np.nan))

    def _pressures(self, on: np.ndarray, street: np.ndarray, drawn: np.ndarray) -> np.ndarray:
        p, heat, warm, out = float(street[0]), 0.0, 0.0, np.empty(len(on))
        give = GIVE
        for i, (burning, supply, tap) in enumerate(
            zip(on.tolist(), street.tolist(), drawn.tolist(), strict=True)
        ):
            heat += (float(burning) - heat) * STEP / 40.0
            flow = FLOW * heat - self.cools - self.out - self.back * max(p - supply, 0.0)
            rise = flow * STEP / (give if flow > 0.0 or not self.sticks else self.sticks)
            warm = (warm + self.settles * max(rise, 0.0)) * math.exp(-STEP / 90.0)
            p = supply - 25.0 if tap else max(p + rise, supply)
            out[i] = p + warm
        return out


def named(line: Line, days: float = 8.0, site: Site = SITE) -> set[Fault]:
    """Return the faults that are certain at some time."""
    said = asked(Closure(site, plant_of(site)), line.rows(days), site)
    return {one.fault for _, one in said if one.probability >= CERTAIN}


@pytest.mark.parametrize("tau", [60.0, 200.0, 700.0])
@pytest.mark.parametrize("every", [5.0, 30.0, 60.0])
def test_growth_that_goes_back_to_the_street_is_the_valve(tau: float, every: float) -> None:
    assert named(Line(back=GIVE / tau, every=every)) == {Fault.CHECK_VALVE_PASSING}


@pytest.mark.parametrize("share", [0.3, 0.5])
def test_growth_that_runs_off_in_straight_lines_is_a_hole(share: float) -> None:
    assert named(Line(out=share * FLOW, burns=(300.0, 600.0, 750.0)), days=12.0) == {Fault.WATER_LOSS}


@pytest.mark.parametrize(
    "line",
    [
        Line(),
        Line(wander=8.0, noise=1.5),
        Line(every=60.0, wander=5.0),
        Line(cools=0.03),
        Line(settles=0.4),
        Line(tap=0.0),
        Line(tap=300.0, every=60.0),
        Line(sticks=0.6, burns=(120.0,)),
        Line(burns=(120.0, 240.0), wander=5.0),
    ],
    ids=["closed", "noisy", "slow samples", "cools", "gas settles", "draw at once", "draw later",
         "bladder sticks", "short burns"],
)  # fmt: skip
def test_what_only_looks_like_it_is_not_named(line: Line) -> None:
    assert named(line) == set()


def test_where_no_rise_is_ever_seen_nothing_is_named() -> None:
    assert named(Line(back=50.0, wander=4.0)) == set()


def test_water_that_goes_back_near_the_relief_setting_may_leave_by_the_relief_valve() -> None:
    near = replace(SITE, relief=66.0 * PSI)
    assert named(Line(back=GIVE / 200.0), site=near) == set()


def test_a_loop_cools_as_soon_as_its_burner_is_off() -> None:
    loop = replace(SITE, heater=replace(SITE.heater, kind=HeaterKind.LOOP))
    assert named(Line(back=GIVE / 200.0), site=loop) == set()


def test_two_days_are_needed_and_a_visit_starts_them_anew() -> None:
    line, sign = Line(back=GIVE / 200.0), Closure(SITE, plant_of(SITE))
    first = min(at for at, one in asked(sign, line.rows(8.0)) if one.probability >= CERTAIN)
    assert START + 2.0 * DAY < first < START + 4.0 * DAY
    sign.visit(Visit(START + 8.0 * DAY, VisitAction.GAUGED))
    again = asked(sign, line.rows(1.5, START + 8.0 * DAY))
    assert not [one for _, one in again if one.probability >= CERTAIN]


def test_a_line_that_holds_again_ends_it() -> None:
    sign = Closure(SITE, plant_of(SITE))
    asked(sign, Line(back=GIVE / 200.0).rows(6.0))
    after = asked(sign, Line().rows(6.0, START + 6.0 * DAY))
    assert after[-1][1].probability < CLEARED


def test_what_is_said_names_the_burns_and_the_test_on_site() -> None:
    said = asked(Closure(SITE, plant_of(SITE)), Line(back=GIVE / 200.0).rows(6.0))
    one = next(o for _, o in said if o.probability >= CERTAIN)
    assert "cannot tell" in one.seen
    assert "Test:" in one.seen
    assert "psi" in one.seen
    assert 100.0 <= float(one.evidence["time_constant_s"] or 0.0) <= 400.0
    assert float(one.evidence["share_of_rise_lost"] or 0.0) > 0.6


def simulated(kind: Kind | None, size: float) -> list[tuple[Fault, float]]:
    """Return what the analyser raises on ten days of a simulated home, in days since the fault of day 3."""
    spec = home("home", *([] if kind is None else [Planted(kind, 3.0, size)]))
    run = simulate(spec, days=11, seed=8, epoch=START)
    analyser = Analyser(replace(SITE, altitude=100.0))
    analyser.feed(Samples(run.time, run.pressure, run.heater, run.temperature))
    return [(f.fault, (f.raised - START) / DAY - 3.0) for f in analyser.report().findings]


@pytest.mark.parametrize("size", [3e-11, 1e-10])
def test_a_simulated_check_valve_is_named_within_a_week(size: float) -> None:
    found = dict(simulated(Kind.CHECK_PASSING, size))
    assert 0.0 < found[Fault.CHECK_VALVE_PASSING] < 7.0
    assert Fault.WATER_LOSS not in found


def test_a_simulated_drip_is_a_loss_of_water_and_no_valve() -> None:
    found = dict(simulated(Kind.WATER_LEAK, 1e-12))
    assert 0.0 < found[Fault.WATER_LOSS] < 7.0
    assert Fault.CHECK_VALVE_PASSING not in found


def test_a_sound_simulated_home_stays_closed() -> None:
    found = dict(simulated(None, 0.0))
    assert not {Fault.CHECK_VALVE_PASSING, Fault.WATER_LOSS} & set(found)
