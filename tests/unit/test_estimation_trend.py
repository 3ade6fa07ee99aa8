"""Dates ahead, the line at rest and the lag of the heat: each against a course made by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.estimation.belief import AIR, DAY, RATE, REFERENCE, Belief, first_belief
from monitor.estimation.lag import Lag
from monitor.estimation.noise import Noise
from monitor.estimation.plant import plant_of
from monitor.estimation.rest import RestLine
from monitor.estimation.samples import Samples
from monitor.estimation.trend import crossing, falling
from monitor.site import Antifreeze, Heater, HeaterKind, Site

PLANT = plant_of(Site("house", tank_volume=8e-3, precharge=414e3, supply=414e3))
START = 1.7e9


def losing(per_day: float, lost: float, *, rate_sd: float = 1e-4, air_sd: float = 1e-3) -> Belief:
    """Return a belief that has lost ``lost`` (ln) since its reference and goes on at ``per_day`` (ln)."""
    belief = first_belief(PLANT, START)
    mean = belief.mean.copy()
    mean[RATE] = -per_day
    mean[REFERENCE] = mean[AIR] + lost
    sd = np.array([air_sd, rate_sd, 0.05, 0.5, air_sd])
    return replace(
        belief, mean=mean, covariance=np.diag(sd**2), reference_time=START - 30.0 * DAY, windows=50
    )


@pytest.mark.parametrize(("per_day", "share"), [(0.01, 0.8), (0.02, 0.5), (0.005, 0.9)])
def test_the_date_is_where_the_line_of_the_loss_meets_the_limit(per_day: float, share: float) -> None:
    """ln(share)/rate days ahead; 2 % for what the interval's own walk adds to the median."""
    belief = losing(per_day, 0.2)
    when = crossing(belief, share * belief.air)
    assert when is not None
    middle, low, high = ((t - START) / DAY for t in when)
    assert middle == pytest.approx(-math.log(share) / per_day, rel=0.05)
    assert low < middle < high


def test_more_doubt_of_the_rate_widens_the_interval() -> None:
    sure, unsure = (
        crossing(losing(0.02, 0.3, rate_sd=sd), 0.5 * losing(0.02, 0.3).air) for sd in (1e-4, 6e-3)
    )
    assert sure is not None
    assert unsure is not None
    assert unsure[1] < sure[1]
    assert unsure[2] > sure[2]


def test_a_loss_that_may_stop_has_no_last_date() -> None:
    belief = losing(0.02, 0.3, rate_sd=0.012)
    when = crossing(belief, 0.5 * belief.air)
    assert when is not None
    assert when[2] == math.inf


@pytest.mark.parametrize(
    ("per_day", "lost"),
    [
        (-0.01, 0.2),  # gaining
        (0.0, 0.2),  # standing still
        (0.02, 0.0),  # nothing lost since the reference
        (0.02, -0.2),  # more than at the reference
    ],
)
def test_no_date_where_no_fall_is_established(per_day: float, lost: float) -> None:
    belief = losing(per_day, lost)
    assert crossing(belief, 0.5 * belief.air) is None


def test_no_date_for_what_lies_behind_or_too_far_ahead() -> None:
    belief = losing(0.02, 0.3)
    assert crossing(belief, 1.01 * belief.air) is None
    assert crossing(belief, 0.0) is None
    assert crossing(losing(1e-3, 0.3, rate_sd=1e-5), 0.1 * belief.air) is None  # 2300 days


def test_falling_is_a_probability_and_needs_a_reference() -> None:
    assert falling(losing(0.02, 0.3)) > 0.99
    assert falling(losing(-0.02, 0.3)) < 0.01
    assert falling(replace(losing(0.02, 0.3), reference_time=None)) == 0.0


def samples(time: np.ndarray, kpa: np.ndarray, heater: np.ndarray) -> Samples:
    """Return rows without a temperature."""
    return Samples(START + time, kpa, heater, np.full(len(time), np.nan))


def test_the_line_at_rest_is_what_the_supply_gives() -> None:
    """A supply of 400 kPa; an hour in three a burn raises the line by 100, and taps press it down by 60."""
    rest = RestLine(500e3)
    assert rest.line is None
    rng = np.random.default_rng(2)
    for hour in range(12):
        time = hour * 3600.0 + np.arange(0.0, 3600.0, 10.0)
        kpa = 400.0 + rng.normal(0.0, 0.2, len(time))
        if hour % 3 == 0:
            kpa += 100.0
        kpa[20:26] -= 60.0
        rest.hour(samples(time, kpa, np.zeros(len(time))))
    assert rest.line is not None
    assert rest.line.level == pytest.approx(400e3, abs=1e3)
    assert rest.line.noise.sd == pytest.approx(200.0, rel=0.2)
    assert rest.line.floor < 399e3
    assert 395e3 < rest.line.steep_from <= rest.line.level


def test_rows_under_heat_say_nothing_of_the_line_at_rest() -> None:
    rest = RestLine(400e3)
    time = np.arange(0.0, 3600.0, 10.0)
    for _ in range(5):
        rest.hour(samples(time, np.full(len(time), 700.0), np.ones(len(time))))
    assert rest.line is None
    assert rest.level == 400e3


def through_metal(
    tau: float, *, on: float = 600.0, tail: float = 240.0, offset: float = 0.0
) -> tuple[Samples, int]:
    """Return a burn whose heat passes metal of time constant ``tau``: 50 Pa/s on a line of constant give."""
    t = np.arange(-10.0, on + tail, 10.0) + 0.5 * 10.0
    after, stopped = np.clip(t - offset, 0.0, None), np.clip(t - offset - on, 0.0, None)
    heat = after - tau * -np.expm1(-after / tau) - (stopped - tau * -np.expm1(-stopped / tau))
    heater = ((t > 0.0) & (t < on)).astype(float)
    return samples(t, 400.0 + 0.05 * heat, heater), int(np.sum(t >= on))


@pytest.mark.parametrize("tau", [20.0, 40.0, 60.0])
def test_the_lag_of_the_metal_is_learned_from_what_rises_after_burner_off(tau: float) -> None:
    """A tenth: the slope before burner-off is not quite the final one, and the tail ends at 240 s."""
    lag = Lag(HeaterKind.STORAGE)
    assert not lag.learned
    for _ in range(5):
        lag.burn(*through_metal(tau), Noise(30.0, 0.0))
    assert lag.learned
    assert lag.seconds == pytest.approx(tau, rel=0.1, abs=1.0)


@pytest.mark.parametrize("offset", [-40.0, 0.0, 30.0, 90.0])
@pytest.mark.parametrize("tau", [10.0, 40.0, 90.0])
def test_lag_and_clocks_apart_are_told_from_each_other(tau: float, offset: float) -> None:
    """The curve after burner-off has the lag for its time constant; when it begins to bend tells the clocks."""
    lag = Lag(HeaterKind.INDIRECT)
    for _ in range(6):
        lag.burn(*through_metal(tau, offset=offset), Noise(30.0, 0.0))
    assert lag.learned
    # Half a step of the grid and a fifth of the lag between its points.
    assert lag.seconds == pytest.approx(tau, abs=5.0 + 0.2 * tau)
    assert -lag.late == pytest.approx(offset, abs=8.0)


def test_a_draw_hides_the_lag() -> None:
    """A tap that runs after burner-off takes the rise away: that burn teaches nothing."""
    lag = Lag(HeaterKind.STORAGE)
    rows, tail = through_metal(40.0)
    kpa = rows.pressure.copy()
    kpa[-tail + 2 :] -= 30.0
    before = lag.seconds
    for _ in range(5):
        lag.burn(Samples(rows.time, kpa, rows.heater, rows.temperature), tail, Noise(30.0, 0.0))
    assert not lag.learned
    assert lag.seconds == before


@pytest.mark.parametrize("kind", list(HeaterKind))
def test_what_is_not_known_of_a_plant_widens_its_doubt(kind: HeaterKind) -> None:
    known = Site("a", heater=Heater(kind, 0.15, 11e3, 0.8, 54.0), tank_volume=8e-3, precharge=4e5, supply=4e5)
    sd = plant_of(known).scale_sd
    for less in (
        replace(known, heater=replace(known.heater, input=None)),
        replace(known, heater=replace(known.heater, setpoint=None)),
        replace(known, tank_volume=None),
    ):
        assert plant_of(less).scale_sd > sd
    assert plant_of(Site("b")).air_nominal > 0.0


def test_a_full_recovery_is_what_the_water_grows_by_less_the_shell() -> None:
    """150 L from 10 to 55 degC: 999.700 and 985.693 kg/m3 (IAPWS R6-95, 0.1 MPa), steel 3 * 11.7e-6 * 45 K.

    0.2 %: the ratio of densities hardly depends on the pressure.
    """
    plant = plant_of(Site("house", heater=Heater(volume=0.15, setpoint=55.0)))
    by_hand = 0.15 * (999.700 / 985.693 - 1.0 - 3 * 11.7e-6 * 45.0)
    assert plant.full_recovery == pytest.approx(by_hand, rel=0.002)


def test_a_loop_with_glycol_recovers_further() -> None:
    """30 % by mass, 10 to 60 degC: 2.7 % of growth for the 1.7 % of water (CoolProp), less steel."""
    loop = Heater(HeaterKind.LOOP, volume=1.0, setpoint=60.0, antifreeze=Antifreeze("propylene", 0.3))
    plant = plant_of(Site("loop", heater=loop))
    assert plant.full_recovery == pytest.approx(0.0269 - 3 * 11.7e-6 * 50.0, rel=0.01)
    assert plant.scale_sd > plant_of(Site("loop", heater=replace(loop, antifreeze=None))).scale_sd


def test_a_gauge_reads_what_is_left_over_the_atmosphere_and_never_less_than_nothing() -> None:
    plant = plant_of(Site("up", altitude=1609.0, tank_volume=8e-3, precharge=4e5))
    assert plant.atmosphere == pytest.approx(83_431.0, abs=1.0)  # ISO 2533
    assert plant.charge_gauge(plant.air_of(250e3)) == pytest.approx(250e3)
    assert plant.charge_gauge(0.0) == 0.0


def test_a_drained_line_lies_below_what_weighs_for_a_week_and_a_new_supply_is_learned() -> None:
    """Filled at 400 kPa, drained to 150: below three quarters of the usual level nothing weighs."""

    def hours(rest: RestLine, kpa: float, count: int) -> None:
        time = np.arange(0.0, 3600.0, 60.0)
        noise = np.random.default_rng(3).normal(0.0, 0.3, len(time))
        for _ in range(count):
            rest.hour(Samples(time, kpa + noise, np.zeros(60), np.full(60, np.nan)))

    rest = RestLine(400e3)
    hours(rest, 400.0, 48)
    hours(rest, 150.0, 168)
    assert rest.line is not None
    assert rest.line.floor > 200e3
    hours(rest, 150.0, 2 * 720)
    assert rest.line.floor < 150e3


def test_a_guessed_supply_is_no_usual_level() -> None:
    rest = RestLine(400e3)
    time = np.arange(0.0, 3600.0, 60.0)
    noise = np.random.default_rng(3).normal(0.0, 0.3, len(time))
    for _ in range(4):
        rest.hour(Samples(time, 150.0 + noise, np.zeros(60), np.full(60, np.nan)))
    assert rest.line is not None
    assert rest.line.floor < 150e3
