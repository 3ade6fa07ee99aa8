"""A tank too small for its heater: probabilities against the formulas, and who must not be accused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.facts import Facts, facts_of
from monitor.diagnosis.faults import Fault
from monitor.diagnosis.limits import NEAR_RELIEF, limits_of
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.sight import Sight
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.signs.small_tank import SmallTank, near
from monitor.estimation.belief import AIR, DAY, REFERENCE, first_belief
from monitor.estimation.burns import Burn
from monitor.estimation.lag import Lag
from monitor.estimation.noise import Noise
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.rest import Line
from monitor.estimation.samples import Samples, empty
from monitor.estimation.windows import Kind, Window
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from simulator.catalogue import PLANTS
from simulator.recording import simulate

SIXTY = 413_685.0
SMALL = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
             tank_volume=2e-3, precharge=SIXTY, supply=SIXTY, relief=1034e3)  # fmt: skip
START = 1.7e9


def facts(site: Site, share: float = 1.0, sd: float = 0.08, give_sd: float = 0.3) -> Facts:
    """Return the facts where the measured air is a share of the nominal one."""
    plant = plant_of(site)
    belief = first_belief(plant, START)
    mean = belief.mean.copy()
    mean[AIR] = mean[REFERENCE] = math.log(share * plant.air_nominal)
    covariance = np.diag(np.array([sd, 0.005, 0.05, give_sd, sd]) ** 2)
    belief = replace(belief, mean=mean, covariance=covariance, windows=20)
    return facts_of(belief, limits_of(plant, SIXTY, belief.elastic), plant, SIXTY)


def said(
    site: Site, seen: Facts, days: float = 10.0, sign: SmallTank | None = None, after: float = 0.0
) -> list[Opinion]:
    """Return the opinions on burns with a window each, four a day, from so many days ``after`` the start on."""
    sign = SmallTank(site, plant_of(site)) if sign is None else sign
    line = Line(Noise(300.0, 100.0), SIXTY, 3e3)
    found = []
    for number in range(int(4 * days)):
        at = START + (after + number / 4.0) * DAY
        window = Window(Kind.RISE, at - 600.0, at, 5e5, 5.5e5, 1e-4, 0.05)
        scene = Scene(seen, line, Lag(HeaterKind.STORAGE), Sight(), (window,))
        found += sign.take(Burn(at, empty(), None), scene)
    return found


def certain(opinions: list[Opinion]) -> list[Opinion]:
    """Return those by which a fault may be raised."""
    return [o for o in opinions if o.probability >= CERTAIN]


def test_a_small_tank_is_named_after_days_with_the_size_that_is_needed() -> None:
    first = certain(said(SMALL, facts(SMALL)))[0]
    assert first.fault is Fault.TANK_UNDERSIZED
    assert "never a smaller one" in first.seen
    needed, advised = first.evidence["smallest_tank_litres"], first.evidence["advised_tank_litres"]
    assert isinstance(needed, float)
    assert isinstance(advised, float)
    assert 2.0 < needed <= advised
    assert f"{advised:.1f} L" in first.seen


def test_a_few_days_are_not_enough() -> None:
    assert certain(said(SMALL, facts(SMALL), 3.9)) == []


def test_a_tank_that_is_large_enough_is_cleared() -> None:
    large = replace(SMALL, tank_volume=8e-3)
    opinions = said(large, facts(large))
    assert opinions
    assert max(o.probability for o in opinions) < CLEARED


def test_a_low_charge_is_another_fault() -> None:
    """Half of its air lets this tank near the relief setting; rightly charged it would be large enough."""
    site = replace(SMALL, tank_volume=7e-3)
    low = facts(site, 0.45)
    assert low.peak >= NEAR_RELIEF * 1034e3
    assert certain(said(site, low)) == []


@pytest.mark.parametrize("share", [0.6, 1.6])
def test_air_that_does_not_fit_the_plate_accuses_no_tank(share: float) -> None:
    assert certain(said(SMALL, facts(SMALL, share))) == []


def test_a_vague_air_accuses_no_tank() -> None:
    assert certain(said(SMALL, facts(SMALL, sd=0.4))) == []


@pytest.mark.parametrize("share", [0.85, 0.95, 1.05])
def test_a_tank_that_no_charge_makes_large_enough_is_named_before_its_charge_is_known(share: float) -> None:
    """Charged to the supply it takes most: with 20 % of doubt about the air it is too small all the same."""
    assert certain(said(SMALL, facts(SMALL, share, sd=0.2)))


def test_a_burn_that_contradicts_the_others_does_not_begin_the_days_anew() -> None:
    sign = SmallTank(SMALL, plant_of(SMALL))
    assert certain(said(SMALL, facts(SMALL), 3.9, sign)) == []
    assert certain(said(SMALL, replace(facts(SMALL), contradicted=True), 0.25, sign, after=3.9)) == []
    assert certain(said(SMALL, facts(SMALL), 0.5, sign, after=4.2))[0].began == START


@pytest.mark.parametrize(
    "unknown",
    [
        replace(SMALL, relief=None),
        replace(SMALL, tank_volume=None),
        replace(SMALL, heater=replace(SMALL.heater, volume=None)),
        replace(SMALL, supply=None, heater=replace(SMALL.heater, kind=HeaterKind.LOOP)),
    ],
)
def test_a_guess_accuses_no_tank(unknown: Site) -> None:
    assert said(unknown, facts(unknown)) == []


@pytest.mark.parametrize("doubt", [{"contradicted": True}, {"erratic": True}, {"supply_stated": 2.0 * SIXTY}])
def test_a_doubtful_estimate_accuses_no_tank(doubt: dict[str, bool | float]) -> None:
    assert certain(said(SMALL, replace(facts(SMALL), **doubt))) == []


def test_a_visit_begins_the_days_anew() -> None:
    sign = SmallTank(SMALL, plant_of(SMALL))
    said(SMALL, facts(SMALL), 3.0, sign)
    sign.visit(Visit(START + 3.0 * DAY, VisitAction.GAUGED, SIXTY))
    assert certain(said(SMALL, facts(SMALL), 3.0, sign)) == []


def drawn(plant: Plant, air_sd: float, grown_sd: float, give_sd: float, count: int = 200_000) -> float:
    """Return the share of drawn plants in which growth exceeds what air and line take up to 90 % of the relief."""
    rng = np.random.default_rng(3)
    p1, p2 = SIXTY + plant.atmosphere, NEAR_RELIEF * 1034e3 + plant.atmosphere
    air = plant.air_nominal * (1.0 + air_sd * rng.standard_normal(count))
    elastic = plant.elastic * np.exp(give_sd * rng.standard_normal(count))
    grown = 0.97 * plant.full_recovery * (1.0 + grown_sd * rng.standard_normal(count))
    supply = p1 + 0.02 * SIXTY * rng.standard_normal(count)
    return float(np.mean(grown > air * (1.0 / supply - 1.0 / p2) + elastic * (p2 - supply)))


@pytest.mark.parametrize("give_sd", [0.1, 0.4, 0.9])
@pytest.mark.parametrize("litres", [2.5, 3.0, 3.5, 4.0, 5.0, 8.0])
def test_the_probability_is_that_of_drawn_plants(litres: float, give_sd: float) -> None:
    """A normal for a skewed sum: within 0.15 anywhere, and surest only where nearly all plants are near."""
    plant = plant_of(replace(SMALL, tank_volume=litres * 1e-3))
    grown = (0.97 * plant.full_recovery, 0.08)
    by_formula = near(plant, SIXTY, (plant.air_nominal, 0.08), 0.0, grown, (plant.elastic, give_sd))
    truth = drawn(plant, 0.08, 0.08, give_sd)
    assert by_formula == pytest.approx(truth, abs=0.15)
    assert by_formula < 0.95 or truth > 0.93


def test_a_charge_above_the_supply_leaves_less_room() -> None:
    plant = plant_of(replace(SMALL, tank_volume=4e-3))
    rest = (plant.full_recovery, 0.08), (plant.elastic, 0.3)
    air = (plant.air_nominal, 0.03)
    assert near(plant, SIXTY, air, 1.3 * SIXTY, *rest) > near(plant, SIXTY, air, 0.0, *rest)


def test_a_line_whose_give_is_unknown_accuses_no_tank() -> None:
    assert certain(said(SMALL, facts(SMALL, give_sd=0.9))) == []


def test_a_simulated_house_with_a_small_tank_is_named_within_four_weeks() -> None:
    spec = PLANTS["undersized"]()
    run = simulate(spec, 28, 1, 1_767_571_200.0)
    site = Site("sim", heater=Heater(HeaterKind.STORAGE, spec.heater.volume, spec.heater.input,
                                     spec.heater.efficiency, spec.heater.setpoint),
                tank_volume=spec.tank.volume, precharge=spec.tank.precharge, supply=spec.supply.pressure,
                relief=spec.relief.setting)  # fmt: skip
    analyser = Analyser(site)
    analyser.feed(Samples(run.time, run.pressure, run.heater, run.temperature))
    (found,) = [f for f in analyser.report().findings if f.ended is None]
    assert found.fault is Fault.TANK_UNDERSIZED
    assert min(run.truth.peak_kpa) >= NEAR_RELIEF * spec.relief.setting / 1e3
