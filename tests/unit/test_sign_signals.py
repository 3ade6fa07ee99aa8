"""The signs of the two signals, on lines made by hand: heat lifts a closed line, a draw lets it down.

A line at 400 kPa; a burn of 15 min lifts it by 2 kPa a minute, within the hour somebody draws. Each rule is
tested where it decides, beside the line that looks like it and must be left alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from monitor.diagnosis.causes import explained
from monitor.diagnosis.faults import Fault as Code
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.heater import HeaterState
from monitor.diagnosis.signs.sensor import SensorTrust
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.estimation.burns import BurnTracker
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import FloatArray, Samples
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site
from simulator.catalogue import home
from simulator.faults import Fault, Kind
from simulator.recording import simulate

START = 1767571200.0
EVERY, DAY, CYCLE = 10.0, 86400.0, 4 * 3600.0
BURN_FROM, BURN_TO, DRAW = 3600.0, 4500.0, 7200.0
SITE = Site(
    "by-hand",
    heater=Heater(HeaterKind.STORAGE, 0.15, 11700.0, 0.77, 54.0),
    tank_volume=0.012,
    precharge=400e3,
    supply=400e3,
    relief=1000e3,
)
SITE_STRONG = replace(SITE, tank_volume=0.008)
SCENE = cast(Scene, SimpleNamespace(facts=SimpleNamespace(supply=400e3)))
Lie = Callable[[FloatArray, FloatArray], FloatArray]


def line(days: float, *, noise: float = 0.2, step: float = 0.1, rise: float = 2.0) -> Samples:
    """Return rows of a healthy site: a burn and, 45 minutes later, a draw of two minutes in each four hours."""
    t = np.arange(0.0, days * DAY, EVERY)
    phase = t % CYCLE
    on = (phase >= BURN_FROM) & (phase < BURN_TO)
    lifted = rise / 60.0 * (np.clip(phase, BURN_FROM, BURN_TO) - BURN_FROM)
    drawn = (phase >= DRAW) & (phase < DRAW + 120.0)
    p = 400.0 + np.where(phase < DRAW, lifted, 0.0) - 15.0 * drawn
    p = p + np.random.default_rng(1).normal(0.0, noise, len(t))
    return Samples(START + t, np.round(p / step) * step, on.astype(float), np.full(len(t), np.nan))


def lying(rows: Samples, *, heater: Lie | None = None, pressure: Lie | None = None) -> Samples:
    """Return rows with a signal changed by a function of seconds since the start and of itself."""
    t = rows.time - START
    return Samples(
        rows.time,
        rows.pressure if pressure is None else pressure(t, rows.pressure),
        rows.heater if heater is None else heater(t, rows.heater),
        rows.temperature,
    )


def heard(sign: HeaterState | SensorTrust, rows: Samples) -> list[tuple[float, Opinion]]:
    """Return opinions, each with the days since the start at which it was given."""
    marks = BurnTracker(1e9).feed(rows)
    return [((mark.at - START) / DAY, opinion) for mark in marks for opinion in sign.take(mark, SCENE)]


def heater(rows: Samples) -> list[tuple[float, Opinion]]:
    """Return what is thought of the heater's signal."""
    return heard(HeaterState(SITE, plant_of(SITE)), rows)


def sensor(rows: Samples) -> list[tuple[float, Opinion]]:
    """Return what is thought of the pressure sensor."""
    return heard(SensorTrust(SITE, plant_of(SITE)), rows)


def only(opinions: list[tuple[float, Opinion]], kind: str, *, certain: bool = True) -> float:
    """Return when the one opinion came, which must be of a kind and certain (or, if told so, not)."""
    assert [opinion.evidence["kind"] for _, opinion in opinions] == [kind]
    assert (opinions[0][1].probability >= CERTAIN) == certain
    return opinions[0][0]


def later(rows: FloatArray, seconds: float) -> FloatArray:
    """Return a signal that comes so much later (earlier if negative)."""
    return np.roll(rows, round(seconds / EVERY))


def inverted(_: FloatArray, on: FloatArray) -> FloatArray:
    """Return the state upside down."""
    return 1.0 - on


def test_a_healthy_site_says_nothing() -> None:
    """Ten days, both signals right."""
    rows = line(10.0)
    assert heater(rows) == []
    assert sensor(rows) == []


def test_an_inverted_state_is_told_within_a_day_and_a_half() -> None:
    """The line climbs when off, and stands still above the supply when on."""
    assert only(heater(lying(line(3.0), heater=inverted)), "inverted") < 1.5


def test_an_inverted_state_is_told_in_watts() -> None:
    """A state in watts counts as on where there are any."""
    rows = lying(line(3.0), heater=lambda t, on: 11700.0 * (1.0 - on))
    assert only(heater(rows), "inverted") < 1.5


def test_an_inverted_state_that_is_put_right_is_over() -> None:
    """From day four on the wires are as they should be."""
    rows = lying(line(8.0), heater=lambda t, on: np.where(t < 4 * DAY, 1.0 - on, on))
    (_, first), (when, second) = heater(rows)
    assert first.probability >= CERTAIN
    assert second.probability < CLEARED
    assert 4.0 < when < 6.0


def test_a_line_that_no_heat_lifts_is_no_inverted_state() -> None:
    """A valve that passes, or a sensor on the street: the state cannot be judged by that line."""
    assert heater(lying(line(6.0, rise=0.0), heater=inverted)) == []


def test_a_second_heater_that_nobody_reports_is_no_fault() -> None:
    """Every other burn is another heater's: the line climbs when off too, but always when on."""
    assert heater(lying(line(14.0), heater=lambda t, on: on * (t // CYCLE % 2 == 0))) == []


def test_a_swing_of_the_supply_is_no_heat() -> None:
    """The line follows a street pressure that swings by 60 kPa a day, with the heater off."""
    rows = line(8.0, rise=0.0)
    swing = lying(
        rows,
        heater=lambda t, on: 0.0 * on,
        pressure=lambda t, p: p + 30.0 * np.sin(2.0 * np.pi * t / DAY),
    )
    assert heater(swing) == []


def test_a_state_stuck_at_on_is_told_after_a_day() -> None:
    """On without a pause, while the line stands still for hours."""
    rows = lying(line(6.0), heater=lambda t, on: np.where(t > 2 * DAY, 1.0, on))
    assert 2.9 < only(heater(rows), "stuck_on") < 3.2


def test_a_loop_that_burns_for_days_is_no_stuck_state() -> None:
    """A boiler that modulates in cold weather may not pause; there the line does not stand above the supply."""
    loop = Site(
        "loop", heater=Heater(HeaterKind.LOOP, 0.15, 11700.0, 0.85, 60.0), tank_volume=0.012, supply=4e5
    )
    rows = lying(line(4.0, rise=0.0), heater=lambda t, on: np.ones_like(on))
    assert heard(HeaterState(loop, plant_of(loop)), rows) == []


def test_a_state_stuck_at_off_is_told_after_some_days() -> None:
    """Heat-ups go on, at night too, and none is reported, where all were reported for ten days."""
    rows = lying(line(16.0), heater=lambda t, on: np.where(t > 10 * DAY, 0.0, on))
    assert 11.0 < only(heater(rows), "stuck_off") < 12.0


def test_a_state_never_reported_on_is_told_within_the_first_day() -> None:
    """The line is heated day and night from the first reading on, as fast as this heater should."""
    assert only(heater(lying(line(3.0), heater=lambda t, on: 0.0 * on)), "stuck_off") < 1.1


def test_heat_by_day_alone_may_be_the_sun_and_is_no_stuck_state() -> None:
    """Nothing is reported, and nothing climbs between 21 and 6 o'clock."""
    rows = line(6.0)
    hour = rows.time % DAY / 3600.0
    dark = (hour < 6.5) | (hour > 19.5)
    still = np.round(400.0 + np.random.default_rng(2).normal(0.0, 0.2, len(rows)), 1)
    sunny = lying(
        rows, heater=lambda t, on: 0.0 * on, pressure=lambda t, p: np.where(dark, np.minimum(p, still), p)
    )
    assert heater(sunny) == []


def test_a_holiday_without_heat_is_no_stuck_state() -> None:
    """Nothing is reported, and nothing climbs."""
    rows = line(16.0)
    away = rows.time - START > 10 * DAY
    quiet = np.where(
        away, np.round(400.0 + np.random.default_rng(2).normal(0.0, 0.2, len(rows)), 1), rows.pressure
    )
    assert (
        heater(lying(rows, heater=lambda t, on: np.where(away, 0.0, on), pressure=lambda t, p: quiet)) == []
    )


def test_two_heaters_that_take_turns_by_the_week_are_told_once_and_never_again() -> None:
    """Only one is reported: nothing tells the other's first week from a stuck state, its end tells for good."""
    rows = lying(line(28.0), heater=lambda t, on: on * (t // (7 * DAY) % 2 == 0))
    (first, stuck), (second, over) = heater(rows)
    assert stuck.probability >= CERTAIN > CLEARED > over.probability
    assert first < 9.0
    assert 14.0 < second < 16.0


@pytest.mark.parametrize("seconds", [420.0, -420.0])
def test_clocks_seven_minutes_apart_are_told_with_their_distance(seconds: float) -> None:
    """A report that comes late seems to follow the line, one that comes early to precede it."""
    opinions = heater(lying(line(4.0), heater=lambda t, on: later(on, seconds)))
    assert only(opinions, "clock") < 3.0
    lag = opinions[0][1].evidence["lag_s"]
    assert isinstance(lag, float)
    assert lag == pytest.approx(-seconds, abs=60.0)  # the grid of lags is a minute wide


@pytest.mark.parametrize("seconds", [-120.0, 40.0])
def test_the_lag_of_metal_is_no_fault_of_a_clock(seconds: float) -> None:
    """The line may follow by two minutes, and sampling may put it ahead by some seconds."""
    assert heater(lying(line(8.0), heater=lambda t, on: later(on, seconds))) == []


def test_a_state_of_another_device_is_told() -> None:
    """Starts every five hours, with no relation to the heat that lifts the line every four."""

    def other(t: FloatArray, on: FloatArray) -> FloatArray:
        del on
        return (t % 17000.0 < 900.0).astype(float)

    assert only(heater(lying(line(12.0), heater=other)), "unrelated") < 9.0


def test_a_held_value_is_told_within_an_hour() -> None:
    """The last digit of this sensor always moved."""
    rows = lying(line(4.0), pressure=lambda t, p: np.where(t > 3 * DAY, p[round(3 * DAY / EVERY)], p))
    assert only(sensor(rows), "held") - 3.0 < 2.0 / 24.0


def test_a_coarse_sensor_on_a_quiet_line_is_not_held() -> None:
    """Steps of 5 kPa, no noise: hours without a change between one burn and the next draw."""
    assert sensor(line(10.0, noise=0.0, step=5.0)) == []


def test_a_coarse_sensor_is_told_after_two_burns_that_did_not_move_it() -> None:
    """Every burn before did."""
    rows = line(4.0, noise=0.0, step=5.0)
    held = lying(rows, pressure=lambda t, p: np.where(t > 3 * DAY, p[round(3 * DAY / EVERY)], p))
    assert only(sensor(held), "held") - 3.0 < 3.0 * CYCLE / DAY


def test_a_soft_tank_on_a_coarse_sensor_is_not_held() -> None:
    """Burns lift the line by less than a step; a draw moves it now and then."""
    assert sensor(line(10.0, noise=0.0, step=20.0, rise=0.3)) == []


def test_a_sensor_that_comes_alive_again_is_over() -> None:
    """Held for a day; a day of readings that move is asked for."""
    rows = lying(line(6.0), pressure=lambda t, p: np.where((t > 3 * DAY) & (t < 4 * DAY), 412.0, p))
    (_, first), (when, second) = sensor(rows)
    assert first.probability >= CERTAIN
    assert second.probability < CLEARED
    assert 5.0 <= when < 5.2


def test_a_vacuum_is_told_at_once() -> None:
    """-1 bar gauge: no water stands that."""
    rows = lying(line(2.0), pressure=lambda t, p: np.where(t > DAY, -101.0, p))
    assert only(sensor(rows), "vacuum") - 1.0 < 1.1 / 24.0


def test_a_broken_wire_is_told_where_the_heater_is_in_use() -> None:
    """2.5 % below the start of a span of 10 bar, as NE 43 has it, and the heater burns."""
    noise = np.random.default_rng(3).normal(0.0, 0.2, round(2 * DAY / EVERY))
    rows = lying(line(2.0), pressure=lambda t, p: np.where(t > DAY, -25.0 + noise, p))
    assert only(sensor(rows), "below") - 1.0 < 6.0 / 24.0


def test_a_relieved_line_is_no_broken_wire() -> None:
    """A visit of two hours: a sensor that is 6 kPa wrong at zero, and no heat."""
    rows = line(4.0)
    t = rows.time - START
    open_line = (t > DAY + 4600.0) & (t < DAY + 11800.0)
    assert (
        sensor(lying(rows, pressure=lambda t, p: np.where(open_line, p - p - 6.0 + 0.1 * (t % 30.0), p)))
        == []
    )


def test_the_end_of_the_scale_is_told_as_urgent() -> None:
    """A leap to 1700 kPa: until somebody has looked it counts as real."""
    noise = np.random.default_rng(4).normal(0.0, 0.2, round(2 * DAY / EVERY))
    opinions = sensor(lying(line(2.0), pressure=lambda t, p: np.where(t > DAY, 1700.0 + noise, p)))
    assert only(opinions, "above") - 1.0 < 1.1 / 24.0
    assert "treat it as real" in opinions[0][1].seen


def test_a_pressure_that_climbs_beyond_the_relief_setting_is_believed() -> None:
    """A relief valve that is stuck shut: no leap, so no fault of the sensor."""
    rows = line(2.0)
    climbing = np.clip((rows.time - START - DAY) / 60.0 * 50.0, 0.0, 1100.0)
    assert sensor(lying(rows, pressure=lambda t, p: p + climbing)) == []


def test_a_value_held_since_the_first_reading_is_told_after_strong_heat_ups() -> None:
    """Nothing is known of the sensor but that two heat-ups of 30 kPa each did not move it by a digit."""
    strong = SITE_STRONG
    rows = lying(line(2.0), pressure=lambda t, p: 0.0 * p + 412.3)
    opinions = heard(SensorTrust(strong, plant_of(strong)), rows)
    assert only(opinions, "held") < 0.4


def drops(t: FloatArray, p: FloatArray) -> FloatArray:
    """Return nothing for three minutes of every two hours."""
    return np.where(t % 7200.0 < 180.0, 0.0, p)


def test_a_sensor_that_drops_out_is_told_after_six_times() -> None:
    """It leaps to nothing and back, and the line is as it was."""
    assert 10.0 / 24.0 < only(sensor(lying(line(3.0), pressure=drops)), "drops") < 14.0 / 24.0


def test_a_sensor_that_dropped_out_is_believed_again_after_three_days() -> None:
    """Half a day without is not enough."""
    rows = lying(
        line(8.0),
        pressure=lambda t, p: np.where((t < DAY) | (abs(t - 1.7 * DAY) < 0.3 * DAY), drops(t, p), p),
    )
    (_, first), (when, second) = sensor(rows)
    assert first.evidence["kind"] == "drops"
    assert second.probability < CLEARED
    assert 4.9 < when < 5.2


def test_a_line_that_is_let_down_and_filled_again_is_no_sensor_that_drops_out() -> None:
    """Within minutes, as water does, and as often."""
    ramp = lambda t: np.clip(abs(t % 7200.0 - 600.0) / 300.0 - 0.3, 0.0, 1.0)  # noqa: E731
    assert sensor(lying(line(3.0), pressure=lambda t, p: p * ramp(t))) == []


def test_a_reading_far_above_the_relief_setting_from_the_start_is_told_once_heated() -> None:
    """Neither heat nor draws move it."""
    assert only(sensor(lying(line(2.0), pressure=lambda t, p: 0.0 * p + 1800.0)), "above") < 0.2


def test_scatter_from_the_first_reading_is_told_within_hours() -> None:
    """40 kPa from row to row: nothing of water does that."""
    scatter = np.random.default_rng(5).normal(0.0, 40.0, round(2.0 * DAY / EVERY))
    assert only(sensor(lying(line(2.0), pressure=lambda t, p: p + scatter)), "loud") < 0.2


def test_a_line_plugged_from_the_first_reading_is_told_within_a_day() -> None:
    """It shows its own noise and a slow drift, no draw and no heat-up."""
    noise = np.random.default_rng(6).normal(0.0, 0.2, round(2.0 * DAY / EVERY))
    rows = lying(line(2.0), pressure=lambda t, p: 400.0 + 5.0 * t / DAY + noise)
    assert only(heard(SensorTrust(SITE_STRONG, plant_of(SITE_STRONG)), rows), "mute") < 1.1


def test_a_sensor_on_the_street_is_not_plugged() -> None:
    """It follows a street that wanders by 2 kPa in some minutes, and no heat-up."""
    noise = np.random.default_rng(6).normal(0.0, 0.2, round(2.0 * DAY / EVERY))
    rows = lying(line(2.0), pressure=lambda t, p: 400.0 + 2.0 * np.sin(t / 400.0) + noise)
    assert heard(SensorTrust(SITE_STRONG, plant_of(SITE_STRONG)), rows) == []


def test_a_heater_that_was_on_before_a_silence_and_after_it_is_not_stuck() -> None:
    """Two days without a reading: nothing is known of them."""
    rows = line(6.0)
    t = rows.time - START
    keep = (t < 2 * DAY + BURN_FROM + 300.0) | (t > 4 * DAY + BURN_FROM + 300.0)
    assert (
        heater(Samples(rows.time[keep], rows.pressure[keep], rows.heater[keep], rows.temperature[keep])) == []
    )


def test_a_relief_valve_and_a_heater_are_not_judged_by_a_sensor_at_fault() -> None:
    """Whatever readings say that are known to lie, they say it of no other part."""
    assert explained(Code.RELIEF_DISCHARGING, [Code.PRESSURE_SENSOR_FAULT]) is not None
    assert explained(Code.HEATER_STATE_FAULT, [Code.PRESSURE_SENSOR_FAULT]) is not None


def test_noise_ten_times_as_large_is_told_after_a_day() -> None:
    """At every hour, by night too."""
    loud = np.random.default_rng(5).normal(0.0, 15.0, round(8 * DAY / EVERY))
    rows = lying(line(8.0), pressure=lambda t, p: p + loud * (t > 5 * DAY))
    assert 1.0 <= only(sensor(rows), "noise") - 5.0 < 1.5


def test_noise_in_the_daytime_is_no_fault() -> None:
    """A pump close by shakes the line while people are up."""
    loud = np.random.default_rng(6).normal(0.0, 15.0, round(10 * DAY / EVERY))
    assert sensor(lying(line(10.0), pressure=lambda t, p: p + loud * (t % DAY > 6 * 3600.0))) == []


def test_another_unit_is_told_when_heat_ups_change_in_the_same_ratio() -> None:
    """From kPa to psi on day six."""
    rows = lying(line(9.0), pressure=lambda t, p: np.where(t > 6 * DAY, p / 6.894757, p))
    opinions = sensor(rows)
    assert str(opinions[0][1].evidence["kind"]).startswith("unit")
    assert len(opinions) == 1
    assert opinions[0][0] - 6.0 < 1.5


def test_a_supply_that_fails_to_a_tenth_is_no_unit() -> None:
    """The level falls by a factor of ten, heat lifts the line by as much as before."""
    assert sensor(lying(line(9.0), pressure=lambda t, p: np.where(t > 6 * DAY, p - 360.0, p))) == []


def test_a_plugged_line_is_told_when_draws_and_heat_ups_vanish_together() -> None:
    """Eight draws a day and more, then none of it; the heater burns as before."""

    def dips(t: FloatArray, p: FloatArray) -> FloatArray:
        return p - 15.0 * (t % 3600.0 < 120.0)

    quiet = np.round(410.0 + np.random.default_rng(7).normal(0.0, 0.2, round(9 * DAY / EVERY)), 1)

    def plugged(t: FloatArray, p: FloatArray) -> FloatArray:
        return np.where(t > 6 * DAY, quiet + 2.0 * np.sin(t / 400.0), dips(t, p))

    rows = lying(line(9.0), pressure=plugged)
    assert only(sensor(rows), "plugged") - 6.0 < 1.6


def found(days: int, fault: Fault) -> list[tuple[str, float]]:
    """Return findings of the whole analyser on a simulated home, days since the start."""
    spec = home("signals", fault)
    run = simulate(spec, days=days, seed=3, epoch=START)
    site = Site(
        "signals",
        heater=Heater(HeaterKind.STORAGE, 0.15, 11700.0, 0.77, 54.0),
        tank_volume=spec.tank.volume,
        precharge=spec.tank.precharge,
        supply=spec.supply.pressure,
        relief=spec.relief.setting,
    )
    analyser = Analyser(site)
    analyser.feed(Samples(run.time, run.pressure, run.heater, run.temperature))
    return [(str(f.fault), (f.raised - START) / DAY) for f in analyser.report().findings]


def test_a_simulated_home_with_an_inverted_state_is_named_and_nothing_else() -> None:
    """Two days at most, and no word of the tank from windows that never were."""
    ((fault, when),) = found(6, Fault(Kind.HEATER_INVERTED, 3.0, 1e3))
    assert fault == "heater_state_fault"
    assert 3.0 < when < 5.0


def test_a_simulated_home_with_a_frozen_sensor_is_named_within_hours() -> None:
    """The value repeats from day three on."""
    ((fault, when),) = found(5, Fault(Kind.FROZEN, 3.0, 1e3))
    assert fault == "pressure_sensor_fault"
    assert 3.0 < when < 3.0 + 2.0 / 24.0
