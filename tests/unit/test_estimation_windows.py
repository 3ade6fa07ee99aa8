"""Heating windows on rows made here from the closed formulas: the window must return the air that made them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray

from monitor.estimation.heating import Heating
from monitor.estimation.noise import noise_of
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.ramp import fit_ramp
from monitor.estimation.samples import Samples, empty
from monitor.estimation.windows import Kind, Window, find_windows
from monitor.site import Antifreeze, Heater, HeaterKind, Site

Array = NDArray[np.float64]

OUTSIDE = 101_325.0  # ISO 2533 at 0 m
SUPPLY = 400e3
SET = 55.0
PROMPT = Heating(0.0, learned=True, ended=True)

# A store so large that half an hour at 17 kW warms it by half a kelvin: its growth per joule is one number.
LARGE = Site(
    "large",
    heater=Heater(HeaterKind.ELECTRIC, volume=15.0, input=17e3, efficiency=1.0, setpoint=SET),
    tank_volume=0.1,
    precharge=SUPPLY,
    supply=SUPPLY,
    relief=1000e3,
)
WATTS = 17e3
ELASTIC = 2e-8
STEP = 10.0


def per_joule(t: float) -> float:
    """Return (beta - 3 alpha)/(rho cp) at 5 bar: IAPWS-95 from the library, alpha of the steel shell. [m3/J]."""
    state = ("T", t + 273.15, "P", 0.5e6, "HEOS::Water")
    beta, rho, cp = (PropsSI(name, *state) for name in ("ISOBARIC_EXPANSION_COEFFICIENT", "D", "C"))
    return float(
        (beta - 3.0 * 11.7e-6) / (rho * cp)
    )  # 6.5e-6 per degF: ASHRAE HVAC Systems & Equipment 2000, ch. 12


def squeezed(air: float, elastic: float, p1: float, volume: Array) -> Array:
    """Return p with A (1/p1 - 1/p) + Ce (p - p1) = volume, by bisection."""
    low, high = np.full_like(volume, p1), np.full_like(volume, 1e8)
    for _ in range(80):
        middle = 0.5 * (low + high)
        less = air * (1.0 / p1 - 1.0 / middle) + elastic * (middle - p1) < volume
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.asarray(0.5 * (low + high))


def rows_of(p: Array, heater: Array) -> Samples:
    """Return rows every ten seconds; ``p`` absolute [Pa], no temperature."""
    time = 1.7e9 + STEP * np.arange(len(p))
    return Samples(time, (p - OUTSIDE) / 1e3, heater, np.full(len(p), np.nan))


def burn(air: float, seconds: float = 1800.0, start: float = SUPPLY) -> Samples:
    """Return a burn of the large store, one row before it; isothermal, no noise, no lag."""
    count = round(seconds / STEP)
    heater = np.concatenate([[0.0], np.ones(count)])
    # The burner lights half-way between the row before and the first row with it on.
    energy = WATTS * STEP * np.concatenate([[0.0], np.arange(count) + 0.5])
    return rows_of(squeezed(air, ELASTIC, start + OUTSIDE, energy * per_joule(SET - 0.25)), heater)


def air_of(window: Window, elastic: float = ELASTIC) -> float:
    """Return the air that a window weighs, the elasticity known."""
    by_air = window.growth - elastic * (window.p2 - window.p1)
    return by_air / (1.0 / window.p1 - 1.0 / window.p2)


def found(rows: Samples, heating: Heating = PROMPT, site: Site = LARGE) -> list[Window]:
    """Return the windows of a burn by a line that is not known yet."""
    return find_windows(rows, heating, plant_of(site))


def only_rise(windows: list[Window]) -> Window:
    """Return the one window, which must be a rise."""
    assert [w.kind for w in windows] == [Kind.RISE]
    return windows[0]


def joules(charge: float, site: Site = LARGE) -> float:
    """Return the air of a gauge charge [Pa]."""
    return (charge + OUTSIDE) * (site.tank_volume or 0.0)


def changed(rows: Samples, change: Array) -> Samples:
    """Return rows with ``change`` [Pa] added to the pressure."""
    return Samples(rows.time, rows.pressure + change / 1e3, rows.heater, rows.temperature)


@pytest.mark.parametrize("charge", [50e3, 100e3, 200e3, 300e3, 400e3])
def test_a_ramp_returns_the_air_that_made_it(charge: float) -> None:
    """1 %: a few tenths for gas taken as still warm, for the temperature to 0.5 K, and for the fit."""
    window = only_rise(found(burn(joules(charge))))
    assert air_of(window) == pytest.approx(joules(charge), rel=0.01)
    assert window.undisturbed
    assert window.total_sd < 0.06


def test_a_loop_with_glycol_is_weighed_with_its_own_growth() -> None:
    """Propylene glycol, 30 % by mass, by the library's own derivative: 1.4 times the growth of water at 55 degC."""
    site = replace(
        LARGE, heater=replace(LARGE.heater, kind=HeaterKind.LOOP, antifreeze=Antifreeze("propylene", 0.3))
    )
    t = SET + 273.15 - 0.25
    rho, warm, cp = (
        PropsSI(name, "T", kelvin, "P", 5e5, "INCOMP::MPG[0.3]")
        for name, kelvin in (("D", t), ("D", t + 0.5), ("C", t))
    )
    grown = ((rho - warm) / (0.5 * rho) - 3.0 * 11.7e-6) / (rho * cp)
    assert grown > 1.3 * per_joule(SET - 0.25)
    count = 180
    energy = WATTS * STEP * np.concatenate([[0.0], np.arange(count) + 0.5])
    heater = np.concatenate([[0.0], np.ones(count)])
    rows = rows_of(squeezed(joules(300e3), ELASTIC, SUPPLY + OUTSIDE, energy * grown), heater)
    assert air_of(only_rise(found(rows, site=site))) == pytest.approx(joules(300e3), rel=0.015)
    assert air_of(only_rise(found(rows))) < 0.8 * joules(300e3)  # what plain water would have made of it


def test_air_at_altitude_is_weighed_with_the_pressure_of_the_place() -> None:
    """The gauge readings of a ramp at sea level mean less air 1609 m up: 834.31 hPa by ISO 2533."""
    high = replace(LARGE, altitude=1609.0)
    sea = burn(joules(300e3))
    grown = WATTS * (sea.time[-1] - sea.time[0] - 0.5 * STEP) * per_joule(SET - 0.25)
    p1, p2 = (float(kpa) * 1e3 + 83_431.0 for kpa in sea.pressure[[0, -1]])
    by_hand = (grown - ELASTIC * (p2 - p1)) / (1.0 / p1 - 1.0 / p2)
    assert by_hand < 0.95 * joules(300e3)
    assert air_of(only_rise(found(sea, site=high))) == pytest.approx(by_hand, rel=0.01)


def test_heat_that_comes_late_is_reckoned_when_it_comes() -> None:
    """Through metal with tau = 40 s, q = W (1 - exp(-t/tau)), and exp(-t/tau) after burner-off."""
    tau, on, tail = 40.0, 1200.0, 240.0
    t = STEP * np.arange(round((on + tail) / STEP) + 1) - 0.5 * STEP
    after = np.clip(t, 0.0, None)
    warmed = WATTS * (after - tau * (1.0 - np.exp(-after / tau)))
    stopped = np.clip(t - on, 0.0, None)
    energy = warmed - WATTS * (stopped - tau * (1.0 - np.exp(-stopped / tau)))
    air = joules(300e3)
    p = squeezed(air, ELASTIC, SUPPLY + OUTSIDE, energy * per_joule(SET - 0.2))
    rows = rows_of(p, ((t > 0.0) & (t < on)).astype(float))
    window = only_rise(found(rows, Heating(tau, learned=True, ended=True)))
    assert air_of(window) == pytest.approx(air, rel=0.01)


def test_a_lag_not_known_is_doubted() -> None:
    rows = burn(joules(300e3), seconds=400.0)
    known = only_rise(found(rows, Heating(20.0, learned=True, ended=True)))
    guessed = only_rise(found(rows, Heating(20.0, learned=False, ended=True)))
    assert guessed.total_sd > known.relative_sd


def test_a_small_heater_is_right_within_its_own_doubt() -> None:
    """150 L, well mixed, at 9 kW: the water is up to 10 K colder than at the end, and growth per joule less."""
    site = Site("small", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, SET), tank_volume=8e-3,
                precharge=SUPPLY, supply=SUPPLY, relief=1000e3)  # fmt: skip
    watts, count = 11.7e3 * 0.77, 60
    energy = watts * STEP * np.concatenate([[0.0], np.arange(count) + 0.5])
    warm = SET - (energy[-1] - energy) / (150.0 * 0.9857 * 4183.0)
    slope = np.array([per_joule(float(t)) for t in warm])
    volume = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * np.diff(energy))])
    air = joules(250e3, site)
    rows = rows_of(squeezed(air, 3e-10, SUPPLY + OUTSIDE, volume), np.concatenate([[0.0], np.ones(count)]))
    window = only_rise(found(rows, site=site))
    assert abs(math.log(air_of(window, 3e-10) / air)) < 2.0 * window.total_sd


def test_a_draw_splits_and_neither_side_reaches_across() -> None:
    """After 600 s a tap runs for 60 s, 20 kPa below supply; then the line starts again from the supply."""
    air = joules(300e3)
    first, second = burn(air, 600.0), burn(air, 1200.0)
    tap = np.full(6, (SUPPLY - 20e3) / 1e3)
    pressure = np.concatenate([first.pressure, tap, second.pressure[1:]])
    rows = rows_of(pressure * 1e3 + OUTSIDE, np.concatenate([[0.0], np.ones(len(pressure) - 1)]))
    windows = found(rows)
    began, over = rows.time[len(first)], rows.time[len(first) + len(tap)]
    assert [w.end < began or w.start >= over for w in windows] == [True] * len(windows)
    assert {w.end < began for w in windows} == {True, False}
    for window in windows:
        assert window.kind is Kind.RISE
        assert not window.undisturbed
        assert abs(math.log(air_of(window) / air)) < 2.0 * window.total_sd


@pytest.mark.parametrize("spike", [80e3, -80e3])
def test_water_hammer_of_a_row_is_left_out(spike: float) -> None:
    rows = burn(joules(300e3))
    change = np.zeros(len(rows))
    change[[40, 90, 141]] = spike
    clean, struck = only_rise(found(rows)), only_rise(found(changed(rows, change)))
    assert air_of(struck) == pytest.approx(air_of(clean), rel=1e-3)


def test_a_leap_within_a_rise_splits_it() -> None:
    """The line fills by 15 kPa between two rows: what is before and after belongs to different water."""
    rows = burn(joules(300e3))
    change = np.where(np.arange(len(rows)) > 90, 15e3, 0.0)
    windows = found(changed(rows, change))
    leap = rows.time[90]
    assert all(w.end <= leap or w.start > leap for w in windows)
    assert any(w.start > leap for w in windows)


@pytest.mark.parametrize(("resolution", "most"), [(689.4757, 0.02), (1000.0, 0.03), (6894.757, 0.1)])
def test_a_quantised_gauge_still_weighs(resolution: float, most: float) -> None:
    """0.1 psi, 0.01 bar and a whole psi on a rise of 62 kPa; the window knows what the steps cost it."""
    air = joules(200e3)
    fine = burn(air, 3600.0)
    p = np.round(fine.pressure * 1e3 / resolution) * resolution
    rows = Samples(fine.time, p / 1e3, fine.heater, fine.temperature)
    window = only_rise(found(rows))
    assert abs(math.log(air_of(window) / air)) < min(most, 3.0 * window.total_sd)
    assert window.total_sd >= only_rise(found(fine)).relative_sd


def test_noise_widens_and_does_not_bend() -> None:
    """20 seeds of 0.3 kPa: the mean is right to 1 %, the scatter no larger than each window says."""
    air = joules(300e3)
    rows = burn(air)
    windows = [
        only_rise(found(changed(rows, np.random.default_rng(seed).normal(0.0, 300.0, len(rows)))))
        for seed in range(20)
    ]
    errors = np.array([math.log(air_of(w) / air) for w in windows])
    assert abs(float(np.mean(errors))) < 0.01
    assert float(np.std(errors)) < max(w.total_sd for w in windows)


def test_what_lies_at_the_relief_setting_is_no_window() -> None:
    """Up to 85 % of the setting the line is closed (in use); then a valve holds 600 kPa."""
    store = replace(LARGE.heater, volume=150.0)  # so large that two hours do not warm it either
    site = replace(LARGE, heater=store, relief=600e3)
    air = joules(0.0)
    rows = burn(air, 7200.0)
    held = Samples(rows.time, np.minimum(rows.pressure, 600.0), rows.heater, rows.temperature)
    assert held.pressure[-1] == 600.0
    window = only_rise(found(held, site=site))
    assert window.p2 < 600e3 + OUTSIDE
    assert window.end <= rows.time[int(np.argmax(rows.pressure >= 600.0))]
    assert air_of(window) == pytest.approx(air, rel=0.02)


def test_heat_without_a_rise_is_flat_and_never_air() -> None:
    rows = burn(joules(300e3))
    still = Samples(rows.time, np.full(len(rows), SUPPLY / 1e3), rows.heater, rows.temperature)
    windows = found(still)
    assert [w.kind for w in windows] == [Kind.FLAT]
    assert windows[0].undisturbed


def test_a_line_of_pipe_alone_is_seen_within_half_a_minute() -> None:
    """No air at all: too short to weigh, but no cushion of a quarter of the nominal air would allow it."""
    rows = burn(1e-3, seconds=60.0)
    site = Site("stiff", heater=LARGE.heater, tank_volume=0.1, precharge=SUPPLY, supply=SUPPLY)
    windows = found(rows.between(0, 5), site=site)
    assert [w.kind for w in windows] == [Kind.STEEP]
    nominal = joules(SUPPLY)
    assert air_of(windows[0], 0.0) < 0.25 * nominal


def test_nothing_comes_of_nothing() -> None:
    plant: Plant = plant_of(LARGE)
    rows = burn(joules(300e3))
    assert find_windows(empty(), PROMPT, plant) == []
    assert find_windows(rows.between(0, 1), PROMPT, plant) == []
    cold = Samples(rows.time, rows.pressure, np.zeros(len(rows)), rows.temperature)
    assert found(cold) == []


def test_noise_and_resolution_of_signals_made_by_hand() -> None:
    """A ramp has no noise; white noise of 500 Pa is found to 10 % in 2000 rows; steps are their size."""
    rng = np.random.default_rng(3)
    ramp = np.linspace(4e5, 5e5, 2000)
    assert noise_of(ramp).sd < 50.0
    assert noise_of(ramp + rng.normal(0.0, 500.0, 2000)).sd == pytest.approx(500.0, rel=0.1)
    stepped = np.round(ramp / 690.0) * 690.0
    assert noise_of(stepped).resolution == pytest.approx(690.0, rel=1e-6)
    assert noise_of(stepped).sd >= 690.0 / math.sqrt(12.0)
    assert noise_of(ramp).resolution == 0.0


def test_growth_that_comes_in_one_leap_gives_no_ramp() -> None:
    """Rows before a late burner's heat and rows after it hold two values of growth: no parabola goes through these."""
    volume = np.array([0.0, 0.0, 0.0, 1e-4, 1e-4, 1e-4])
    ramp = fit_ramp(volume, np.linspace(4e5, 4.1e5, 6), 0, 5, noise_of(np.full(6, 4e5)))
    assert ramp.rise == 0.0
    assert ramp.rise_sd > 1.0
