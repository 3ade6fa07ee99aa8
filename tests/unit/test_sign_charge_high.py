"""A charge above the supply: rows made by hand from Boyle's law, and everything that looks a little like it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.causes import EXPLAINS
from monitor.diagnosis.facts import facts_of
from monitor.diagnosis.faults import Fault
from monitor.diagnosis.limits import limits_of
from monitor.diagnosis.relief import Discharge
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.sight import Sight
from monitor.diagnosis.signs.charge_high import ChargeHigh
from monitor.diagnosis.signs.hidden import Gauged, hidden
from monitor.diagnosis.signs.knee import Knee, Smooth, look
from monitor.diagnosis.signs.meeting import probability_of, soft_expected, weighed
from monitor.diagnosis.signs.refilled import Refilled, levels
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.watch import Watch
from monitor.estimation.belief import AIR, DAY, first_belief
from monitor.estimation.burns import Burn, Hour
from monitor.estimation.lag import Lag
from monitor.estimation.noise import Noise
from monitor.estimation.plant import plant_of
from monitor.estimation.rest import Line
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.visits import read_off
from monitor.estimation.windows import Kind as WindowKind
from monitor.estimation.windows import Window
from monitor.physics.cushion import pressure_after
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from simulator.catalogue import PLANTS
from simulator.recording import simulate

SUPPLY, CHARGE = 414e3, 580e3
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0),
            tank_volume=8e-3, precharge=SUPPLY, supply=SUPPLY, relief=1034e3)  # fmt: skip
PLANT = plant_of(SITE)
OUTSIDE = PLANT.atmosphere
ELASTIC = 0.6e-9  # m³/Pa
NOISE = Noise(300.0, 100.0)
START = 1.7e9
LAG = Lag(HeaterKind.STORAGE)
LAG.seconds = 0.0


def rise(start: float, volume: FloatArray, charge: float, air: float | None = None) -> FloatArray:
    """Return the gauge pressure [Pa] of a line from ``start`` on as water grows by ``volume``."""
    held = (charge + OUTSIDE) * PLANT.tank_volume if air is None else air
    return np.array(
        [pressure_after(held, ELASTIC, start + OUTSIDE, v, charge + OUTSIDE) - OUTSIDE for v in volume]
    )


def scene() -> Scene:
    """Return what a sign needs to know beside a mark."""
    belief = first_belief(PLANT, START)
    facts = facts_of(belief, limits_of(PLANT, SUPPLY, PLANT.elastic), PLANT, SUPPLY)
    return Scene(facts, Line(NOISE, SUPPLY, 3e3), LAG, Sight())


class Plant:
    """Days of four burns and four draws; every pressure by the formulas of the physics, with noise."""

    def __init__(
        self, charge: float, *, every: float = 10.0, air: float | None = None, site: Site = SITE
    ) -> None:
        self.sign = ChargeHigh(site, plant_of(site))
        self.charge, self.every, self.air = charge, every, air
        self.day = 0
        self.said: list[Opinion] = []
        self.suspected: list[Opinion] = []  # not named
        self.rng = np.random.default_rng(4)
        self.swing = 12e3
        self.supply = SUPPLY

    def pressure(self, start: float, volume: FloatArray) -> FloatArray:
        """Return what the line does in a burn."""
        return rise(start, volume, self.charge, self.air)

    def days(self, count: int) -> list[Opinion]:
        """Live through ``count`` days; return what the sign said."""
        said: list[Opinion] = []
        for _ in range(count):
            for number in range(4):
                at = START + self.day * DAY + 6.0 * 3600.0 * number
                start = self.supply + float(self.rng.uniform(-self.swing, self.swing))
                said += self.sign.take(self._hour(at, start), scene())
                said += self.sign.take(self._burn(at + 3600.0, start), scene())
            self.day += 1
        self.suspected += [o for o in said if not o.seen]
        self.said += [o for o in said if o.seen]
        return [o for o in said if o.seen]

    def _rows(self, time: FloatArray, p: FloatArray, heater: float) -> Samples:
        noisy = np.round((p + self.rng.normal(0.0, NOISE.sd, len(p))) / 100.0) / 10.0
        return Samples(time, noisy, np.full(len(p), heater), np.full(len(p), np.nan))

    def _hour(self, at: float, level: float) -> Hour:
        time = at + np.arange(0.0, 3600.0, 30.0)
        p = np.full(len(time), level)
        for first in (10, 40, 70):
            p[first : first + 8] -= 30e3
        return Hour(at + 3600.0, self._rows(time, p, 0.0))

    def _burn(self, at: float, start: float) -> Burn:
        time = at + np.arange(0.0, 900.0, self.every)
        watts = PLANT.watts * PLANT.efficiency
        per_joule = float(PLANT.fluid.expansion_per_joule(PLANT.setpoint - 7.0)) - PLANT.shell_per_joule
        p = self.pressure(start, (time - at) * watts * per_joule)
        return Burn(float(time[-1]), self._rows(time, p, 1.0), None)


@pytest.mark.parametrize("every", [2.0, 10.0, 30.0])
@pytest.mark.parametrize("charge", [470e3, 520e3, 580e3])
def test_a_charge_above_the_supply_is_named_within_days_and_its_knee_is_the_charge(
    every: float, charge: float
) -> None:
    plant = Plant(charge, every=every)
    (opinion,) = plant.days(3)
    assert opinion.fault is Fault.AIR_CHARGE_HIGH
    assert opinion.probability >= CERTAIN
    found, sd = opinion.evidence["charge_by_knee_kpa"], opinion.evidence["charge_by_knee_sd_kpa"]
    assert isinstance(found, float)
    assert isinstance(sd, float)
    assert abs(found - charge / 1e3) < 2.0 * sd
    assert "gauge the air valve" in opinion.seen


def test_one_day_is_not_enough() -> None:
    assert Plant(CHARGE).days(1) == []


@pytest.mark.parametrize("charge", [350e3, 414e3, 425e3])
def test_a_charge_at_the_supply_or_below_is_not_named(charge: float) -> None:
    assert Plant(charge).days(10) == []


def test_a_supply_that_swings_about_the_charge_is_no_high_charge() -> None:
    plant = Plant(SUPPLY)
    plant.swing = 60e3
    assert plant.days(10) == []


def test_a_lost_cushion_has_no_knee() -> None:
    assert Plant(0.0, air=40.0).days(10) == []


def test_a_charge_that_no_recovery_reaches_is_not_told_from_a_lost_cushion() -> None:
    class Draws(Plant):
        def pressure(self, start: float, volume: FloatArray) -> FloatArray:
            return super().pressure(start, 0.1 * volume)

    assert Draws(850e3).days(10) == []


def test_friction_of_a_bladder_is_no_knee() -> None:
    class Friction(Plant):
        def pressure(self, start: float, volume: FloatArray) -> FloatArray:
            stiff, soft = start + volume / ELASTIC, super().pressure(start, volume)
            return np.minimum(stiff, soft + 8e3)

    assert Friction(400e3).days(10) == []


@pytest.mark.parametrize("over", [25e3, 60e3])
def test_a_rise_that_always_ends_so_much_above_its_start_is_no_charge(over: float) -> None:
    class Constant(Plant):
        def pressure(self, start: float, volume: FloatArray) -> FloatArray:
            return np.minimum(start + volume / ELASTIC, super().pressure(start, volume) + over)

    plant = Constant(400e3)
    plant.swing = 40e3
    assert plant.days(10) == []


def test_a_bypass_to_the_street_is_softer_than_any_tank() -> None:
    class Bypass(Plant):
        def pressure(self, start: float, volume: FloatArray) -> FloatArray:
            free = super().pressure(start, volume)
            return np.minimum(free, 560e3 + 0.02 * np.maximum(free - 560e3, 0.0))

    assert Bypass(0.0, air=40.0).days(10) == []


def test_knees_at_any_pressure_are_no_charge() -> None:
    class Anywhere(Plant):
        def pressure(self, start: float, volume: FloatArray) -> FloatArray:
            return rise(start, volume, float(self.rng.uniform(450e3, 800e3)))

    assert Anywhere(CHARGE).days(10) == []


def test_it_is_said_once_and_ends_when_the_line_is_soft_from_the_supply_on() -> None:
    plant = Plant(CHARGE)
    assert len(plant.days(6)) == 1
    plant.sign.visit(Visit(START + 6 * DAY, VisitAction.GAUGED, SUPPLY))
    plant.charge = SUPPLY
    (over,) = plant.days(5)
    assert over.probability < CLEARED


def test_a_torn_diaphragm_ends_it() -> None:
    plant = Plant(CHARGE)
    assert len(plant.days(4)) == 1
    plant.air = 40.0
    (over,) = plant.days(12)
    assert over.probability < CLEARED


def test_the_supply_of_the_site_file_counts_where_the_line_agrees_with_it() -> None:
    # By day the street gives less than at night, for which the tank was charged.
    plant = Plant(SUPPLY)
    plant.supply = 375e3
    assert plant.days(10) == []


def test_a_loop_is_held_against_the_charge_of_its_site_file() -> None:
    loop = replace(SITE, heater=replace(SITE.heater, kind=HeaterKind.LOOP), precharge=CHARGE)
    assert Plant(CHARGE, site=loop).days(6) == []
    (opinion,) = Plant(CHARGE, site=replace(loop, precharge=450e3)).days(6)
    assert "site file" in opinion.seen


def test_a_lost_cushion_does_not_explain_it_but_is_explained_by_it() -> None:
    assert Fault.AIR_CUSHION_LOST in EXPLAINS[Fault.AIR_CHARGE_HIGH]
    assert Fault.AIR_CHARGE_HIGH not in EXPLAINS[Fault.AIR_CUSHION_LOST]


def test_a_stretch_with_two_slopes_is_a_knee_and_a_curve_is_not() -> None:
    volume = np.linspace(0.0, 900e-6, 60)
    bent = look(volume, rise(SUPPLY, volume, CHARGE), NOISE, START)
    assert isinstance(bent, Knee)
    assert bent.pressure == pytest.approx(CHARGE, abs=3e3)
    assert bent.stiff == pytest.approx(1.0 / ELASTIC, rel=0.1)
    curve = look(volume, rise(SUPPLY, volume, 300e3), NOISE, START)
    assert isinstance(curve, Smooth)
    assert look(volume, np.full(60, SUPPLY), NOISE, START) is None


def test_the_street_is_seen_after_draws_and_not_in_them() -> None:
    time = START + np.arange(0.0, 3600.0, 10.0)
    p = np.full(360, 500.0)  # kPa, on what heat has pushed out
    p[60:120] = 380.0  # a draw of ten minutes
    p[120:] = 414.0
    rows = Samples(time, p, np.zeros(360), np.full(360, np.nan))
    assert levels(rows, NOISE) == pytest.approx([414e3])


def test_growth_that_is_left_in_the_line_is_not_taken_for_the_street() -> None:
    street = Refilled()
    time = START + np.arange(0.0, 1200.0, 10.0)
    for level in [*[414.0] * 10, *[600.0] * 10]:
        p = np.full(120, level)
        p[30:60] -= 40.0
        street.hour(Samples(time, p, np.zeros(120), np.full(120, np.nan)), NOISE)
    seen = street.below(580e3, [])
    assert seen is not None
    assert seen.usual == pytest.approx(414e3)
    assert seen.high == pytest.approx(414e3)


def test_a_simulated_house_is_named_and_its_lost_cushion_ends() -> None:
    """Its gas has a temperature of its own, its supply falls by day and taps are open at any time."""
    spec = PLANTS["precharge-high"]()
    run = simulate(spec, 4, 1, 1_767_571_200.0)
    site = Site("sim", heater=Heater(HeaterKind.STORAGE, spec.heater.volume, spec.heater.input,
                                     spec.heater.efficiency, spec.heater.setpoint),
                tank_volume=spec.tank.volume, precharge=spec.supply.pressure, supply=spec.supply.pressure,
                relief=spec.relief.setting)  # fmt: skip
    analyser = Analyser(site)
    analyser.feed(Samples(run.time, run.pressure, run.heater, run.temperature))
    standing = [f for f in analyser.report().findings if f.ended is None]
    assert [f.fault for f in standing] == [Fault.AIR_CHARGE_HIGH]
    assert standing[0].raised - run.epoch < 3.0 * DAY
    found = standing[0].evidence["charge_by_knee_kpa"]
    assert isinstance(found, float)
    assert found == pytest.approx(spec.tank.precharge / 1e3, abs=5.0)
    shown = analyser.report().air_charge[-1]
    assert shown.low_kpa < spec.tank.precharge / 1e3 < shown.high_kpa
    assert shown.high_kpa - shown.low_kpa < 30.0


def test_a_discharge_beside_a_high_charge_proves_no_lost_cushion() -> None:
    watch = Watch(SITE, PLANT)
    (opinion,) = Plant(CHARGE).days(3)
    watch.consider([opinion], scene().facts, START)
    steep = Window(WindowKind.STEEP, START, START + 60.0, 5.2e5, 6.8e5, 1e-4, 0.05)
    assert watch.proves_loss([steep])
    (found,) = watch.discharge(Discharge(START, 1.0e6, 2e-4), [steep], scene().facts, START + 60.0)
    assert found.fault is Fault.RELIEF_DISCHARGING


def knees(times: FloatArray, starts: FloatArray, pressures: FloatArray) -> list[Knee | Smooth]:
    """Return knees of a tank that fits."""
    soft = soft_expected(PLANT, CHARGE)
    rows = zip(times.tolist(), starts.tolist(), pressures.tolist(), strict=True)
    return [Knee(START + t, start, p, 1e3, 20.0 * soft, soft) for t, start, p in rows]


def test_many_knees_of_one_day_count_as_a_few() -> None:
    p = np.full(20, CHARGE)
    one_day = weighed(knees(np.arange(20.0), p - 1e5, p), CHARGE, SUPPLY, PLANT)
    many = weighed(knees(np.arange(20.0) * DAY / 4.0, p - 1e5, p), CHARGE, SUPPLY, PLANT)
    assert probability_of(one_day, SUPPLY) < CERTAIN <= probability_of(many, SUPPLY)


def test_knees_at_one_pressure_say_more_than_knees_at_one_rise() -> None:
    wander = np.linspace(-7e3, 7e3, 8)
    days = np.arange(8.0) * DAY
    at_pressure = weighed(knees(days, SUPPLY + wander, CHARGE + 0.1 * wander), CHARGE, SUPPLY, PLANT)
    at_rise = weighed(knees(days, SUPPLY + wander, CHARGE + wander), CHARGE, SUPPLY, PLANT)
    assert at_pressure.knees == at_rise.knees == 8
    assert at_rise.odds <= at_pressure.odds - 4.0


def test_a_knee_a_little_above_the_supply_is_no_fault() -> None:
    def likely(above: float) -> float:
        p = np.full(20, SUPPLY + above)
        seen = knees(np.arange(20.0) * DAY / 2.0, p - 5e4, p)
        return probability_of(replace(weighed(seen, SUPPLY + above, SUPPLY, PLANT), fits=True), SUPPLY)

    assert likely(12e3) < 0.5
    assert likely(25e3) < CERTAIN
    assert likely(45e3) >= CERTAIN


def test_a_step_of_a_few_kilopascals_is_no_knee() -> None:
    volume = np.linspace(0.0, 900e-6, 60)
    gas = rise(SUPPLY, volume, 300e3)
    for step, kind in ((7e3, Smooth), (25e3, Knee)):
        seen = look(volume, np.minimum(SUPPLY + volume / ELASTIC, gas + step), NOISE, START)
        assert isinstance(seen, kind) or (kind is Smooth and seen is None)


def stiff(count: int, high: float, slope: float = 20.0) -> list[Knee | Smooth]:
    """Return stretches from the supply to ``high``, one each half a day, ``slope`` times that of an open tank."""
    soft = soft_expected(PLANT, SUPPLY)
    return [Smooth(START + n * DAY / 2.0, SUPPLY, high, slope * soft) for n in range(count)]


def test_a_stiff_line_may_be_charged_above_what_burns_have_reached_until_it_has_risen_far() -> None:
    def may_be(high: float) -> float:
        return hidden(stiff(4, high), SUPPLY, None, PLANT)

    assert may_be(SUPPLY + 30e3) > 0.15
    assert may_be(1.6 * SUPPLY) < 0.04
    assert may_be(480e3) > may_be(560e3) > may_be(700e3)


def test_bends_that_fit_the_tank_speak_for_a_high_charge_unless_stiff_stretches_pass_them() -> None:
    bends = knees(np.arange(3.0) * DAY, np.full(3, SUPPLY), np.full(3, CHARGE))
    assert hidden([*stiff(3, CHARGE), *bends], SUPPLY, None, PLANT) > 0.85
    assert hidden([*stiff(3, CHARGE + 60e3), *bends], SUPPLY, None, PLANT) < 0.1


def test_a_soft_line_has_no_charge_above_it() -> None:
    assert hidden(stiff(6, 480e3, slope=2.0), SUPPLY, None, PLANT) < 0.01


def test_what_a_gauge_has_read_decides_what_a_stiff_line_is() -> None:
    line = stiff(2, 480e3)
    assert hidden(line, SUPPLY, Gauged(CHARGE), PLANT) > 0.95
    assert hidden(line, SUPPLY, Gauged(SUPPLY), PLANT) < 0.04
    assert hidden(stiff(2, CHARGE + 60e3), SUPPLY, Gauged(CHARGE), PLANT) < 0.2


def test_a_stretch_that_passes_the_knee_on_its_soft_side_denies_no_charge_there() -> None:
    """A fast heater is through the knee between two rows: the stretch is steep in the mean, soft at its end."""
    passing = stiff(4, CHARGE + 60e3, slope=6.0)
    assert hidden(passing, SUPPLY, Gauged(CHARGE), PLANT) > 0.9
    assert hidden(stiff(4, CHARGE + 60e3), SUPPLY, Gauged(CHARGE), PLANT) < 0.2


def test_a_gauge_reading_counts_before_the_street_is_known() -> None:
    gauged = Plant(CHARGE, site=replace(SITE, precharge=CHARGE))
    told = gauged.sign.take(gauged._burn(START, SUPPLY), scene())
    assert max(o.probability for o in told) > 0.85


def test_a_gauge_reading_that_two_knees_confirm_is_named_at_once() -> None:
    gauged = replace(SITE, precharge=CHARGE)
    (opinion,) = Plant(CHARGE, site=gauged).days(1)
    assert opinion.fault is Fault.AIR_CHARGE_HIGH
    assert opinion.began < START + 0.5 * DAY
    assert Plant(SUPPLY, site=gauged).days(10) == []


def test_a_suspected_high_charge_keeps_a_stiff_line_from_being_called_lost() -> None:
    watch = Watch(SITE, PLANT)
    plant = Plant(CHARGE)
    plant.days(1)
    watch.consider(plant.suspected[-1:], scene().facts, START)
    steep = Window(WindowKind.STEEP, START, START + 60.0, 5.2e5, 6.8e5, 1e-4, 0.05)
    (found,) = watch.discharge(Discharge(START, 1.0e6, 2e-4), [steep], scene().facts, START + 60.0)
    assert found.fault is Fault.RELIEF_DISCHARGING
    (found,) = Watch(SITE, PLANT).discharge(
        Discharge(START, 1.0e6, 2e-4), [steep], scene().facts, START + 60.0
    )
    assert found.fault is Fault.AIR_CUSHION_LOST


def test_while_it_stands_the_charge_is_read_off_the_knees_and_no_window_weighs_it() -> None:
    plant = Plant(CHARGE)
    (named,) = plant.days(3)
    plant.suspected.clear()
    assert plant.days(2) == []
    news = [o for o in plant.suspected if o.charge is not None]
    assert news
    for opinion in [named, *news]:
        assert opinion.charge is not None
        assert abs(opinion.charge[0] - CHARGE) < 2.0 * opinion.charge[1]


def test_a_charge_read_off_the_line_replaces_what_a_stiff_line_has_told() -> None:
    stiff_line = first_belief(PLANT, START)
    mean = stiff_line.mean.copy()
    mean[AIR] = np.log(0.01 * PLANT.air_nominal)
    wrong = replace(stiff_line, mean=mean, windows=30)
    after = read_off(wrong, (CHARGE, 4e3), PLANT, START + DAY)
    assert after.time == START + DAY
    assert PLANT.charge_gauge(after.air) == pytest.approx(CHARGE)
    half = PLANT.charge_gauge(after.air_quantile(1.0)) - CHARGE
    assert half == pytest.approx(4e3, rel=0.02)
