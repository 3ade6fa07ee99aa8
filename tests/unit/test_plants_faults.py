"""The faults that are planted on the outside traces, and the scores over all codes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.bench import codes, every
from tests.bench.trial import Day, Said, Trial, due
from tests.plants import faults, mixed
from tests.plants.cushion import STEEL, Fitting, Relief, held_by_shell, run_line
from tests.plants.leaks import Leaks, Step, give, seep
from tests.plants.library import library
from tests.plants.line import Line
from tests.plants.size import full_recovery, peak_of, vessel_for
from tests.plants.trace import DAY, Trace


def still(hours: float, step: float = 10.0) -> Trace:
    """Return a line at which nothing happens."""
    nothing = np.zeros(round(hours * 3600.0 / step))
    return Trace(step, nothing, nothing, nothing, nothing + 55.0)


def pressures(leaks: Leaks, hours: float, trace: Trace | None = None) -> np.ndarray:
    """Return what a line of 8 L does [kPa gauge], charged to its supply of 400."""
    run = still(hours) if trace is None else trace
    same = np.full(len(run), 400.0)
    fitting = Fitting(leaks=leaks, relief=Relief())
    return run_line(run, vessel_litres=8.0, charge=same, supply=same, fitting=fitting).pressure - 101.325


def test_a_stiff_line_falls_back_through_a_check_valve_with_its_time_constant() -> None:
    line = Line(vessel=1000.0, air=0.0, elastic=2.0, pressure=600.0)
    for _ in range(30):
        seep(line, Leaks(back=0.01), Step(500.0, 100.0, 10.0, shut=False))
    # C / g = 200 s: after 300 s exp(-1.5) of 100 kPa is left.
    assert line.pressure == pytest.approx(500.0 + 100.0 * math.exp(-1.5))


def test_nothing_runs_past_what_drives_it() -> None:
    line = Line(vessel=8000.0, air=500.0 * 8000.0, elastic=0.6, pressure=502.0)
    line.push(300.0, 10.0)
    for _ in range(50):
        seep(line, Leaks(back=50.0), Step(500.0, 100.0, 10.0, shut=False))
    assert line.pressure == pytest.approx(500.0)


def test_a_seat_lets_the_line_climb_until_a_draw_takes_it_back() -> None:
    run = still(16.0)
    draw = run.draw.copy()
    draw[len(draw) // 2] = 3000.0
    seen = pressures(Leaks(creep=0.001, street=600.0), 16.0, replace(run, draw=draw))
    half = len(draw) // 2
    assert np.all(np.diff(seen[:half]) > 0.0)
    assert 500.0 < seen[half - 1] < 600.0
    assert seen[half + 1] < 405.0


def test_a_hole_empties_a_line_that_is_shut_and_no_other() -> None:
    open_line = pressures(Leaks(out=0.01), 5.0)
    shut_line = pressures(Leaks(out=0.01, shut=((0.0, 1e9),)), 5.0)
    assert open_line.min() == pytest.approx(400.0)
    assert np.all(np.diff(shut_line) <= 1e-9)
    assert 0.0 <= shut_line[-1] < 1.0


def test_water_that_leaves_a_shut_line_is_what_the_hole_lets_out() -> None:
    seen = pressures(Leaks(out=0.001, shut=((0.0, 1e9),)), 0.5)
    lost = 0.001 * np.sum(np.concatenate([[400.0], seen[:-1]])) * 10.0
    line = Line(vessel=8000.0, air=501.325 * 8000.0, elastic=0.6, pressure=501.325)
    # The bladder stands on its stop at the charge: the pipes alone give the water.
    assert give(line) == pytest.approx(0.6)
    assert lost == pytest.approx(0.6 * (400.0 - seen[-1]), rel=0.02)


def test_the_shell_takes_its_share_of_what_the_water_grows() -> None:
    run = replace(still(1.0), growth=np.full(360, 10.0), top=np.full(360, 60.0))
    kept = held_by_shell(run, 1.0)
    assert kept == pytest.approx(10.0 * (1.0 - STEEL / 5.23e-4))
    assert 0.06 < 1.0 - kept[0] / 10.0 < 0.08


@pytest.mark.parametrize("began", [0.0, 500.0])
def test_faulty_devices_spoil_only_what_comes_after(began: float) -> None:
    rng = np.random.default_rng(3)
    time = np.arange(10.0, 20000.0, 10.0)
    heater = (time // 1800.0 % 2.0).astype(float)
    result = {
        "time": time,
        "pressure": 400.0 + 50.0 * heater + rng.normal(0.0, 1.0, len(time)),
        "heater": heater,
    }
    on_line = [
        faults.stuck(began),
        faults.frozen(began, 12.0),
        faults.noisy(began, 50.0),
        faults.offset(began, 60.0),
    ]
    on_line += [faults.out_of_range(began, -31.0), faults.dropping(began, 0.0, 0.3, 2.0)]
    on_state = [faults.inverted(began), faults.held_at(began, 1.0), faults.held_at(began, 0.0)]
    on_state += [faults.unrelated(began, 10.0, 40.0), faults.apart(began, 300.0)]
    for spoils, key in ((on_line, "pressure"), (on_state, "heater")):
        for spoil in spoils:
            seen = spoil(dict(result), np.random.default_rng(1))
            before, after = time < began, time >= began + 600.0
            assert np.array_equal(seen[key][before], result[key][before])
            assert not np.array_equal(seen[key][after], result[key][after])
            other = "heater" if key == "pressure" else "pressure"
            assert np.array_equal(seen[other], result[other])
            assert len(seen[key]) == len(time)


def test_a_device_of_its_own_switches_as_long_as_it_was_asked_to() -> None:
    time = np.arange(0.0, 10.0 * DAY, 60.0)
    result = {"time": time, "pressure": time, "heater": np.zeros(len(time))}
    state = faults.unrelated(0.0, 20.0, 60.0)(result, np.random.default_rng(2))["heater"]
    assert state.mean() == pytest.approx(0.25, abs=0.05)


def test_clocks_apart_bring_the_state_late() -> None:
    time = np.arange(0.0, 3600.0, 10.0)
    result = {"time": time, "pressure": time, "heater": (time >= 1000.0).astype(float)}
    late = faults.apart(0.0, 300.0)(result, np.random.default_rng(1))["heater"]
    early = faults.apart(0.0, -300.0)(result, np.random.default_rng(1))["heater"]
    assert time[np.argmax(late)] == 1300.0
    assert time[np.argmax(early)] == 700.0


def test_the_mixed_heater_grows_by_what_its_water_does() -> None:
    heat = mixed.Heat(
        150.0, 9000.0, mixed.level(60.0), mixed.level(10.0), mixed.level(0.0), start=10.0, lag=1.0
    )
    run = mixed.run(heat, np.zeros(700), 10.0)
    # From 10 to 60 °C: 9000 W less the loss warm 150 L in an hour; density 999.7 to 983.2 kg/m³.
    up = int(np.argmax(run.burner == 0.0))
    assert run.top.max() == pytest.approx(60.0, abs=0.5)
    assert up * 10.0 == pytest.approx(150.0 * 4183.0 * 50.0 / (9000.0 - 45.0), rel=0.02)
    assert run.growth[:up].sum() == pytest.approx(150000.0 * math.log(999.7 / 983.2), rel=0.02)


def test_a_vessel_for_a_peak_has_that_peak() -> None:
    known, fitting = library()["gas_family"], Fitting()
    vessel = vessel_for(known, 400.0, 800.0, fitting)
    assert full_recovery(known) == pytest.approx(151.4 * 13.9, rel=0.03)
    assert peak_of(known, 400.0, vessel, 400.0, fitting) == pytest.approx(800.0)


def test_every_scenario_has_its_plant_and_its_truth() -> None:
    tickets = [every.draw(seed) for seed in range(len(every.SCENARIOS))]
    assert [t.scenario for t in tickets] == list(every.SCENARIOS)
    named = {t.told.code for t in tickets if t.told is not None}
    assert named == set(codes.SHORT)


def told(code: str, *said: Said, also: tuple[str, ...] = (), onset: float = 5.0) -> Trial:
    """Return a trial of twenty days with a fault from day ``onset`` on."""
    made = Trial(1, "x", "t", True, True, 10.0, 20.0, 400.0, 0.0, {}, None, 0, 0.0)
    made.daily = [Day(float(n), 400.0, 1.0, "holding") for n in range(1, 21)]
    made.said, made.told, made.code, made.also, made.onset = list(said), True, code, list(also), onset
    made.due = onset + 0.1
    return made


def test_the_first_cause_is_what_was_raised_first_after_the_onset() -> None:
    early = Said("air_charge_low", 1.0, 2.0, 4.0)
    blind, sensor = Said("blind", 5.0, 6.0, 6.5), Said("pressure_sensor_fault", 5.0, 6.5, None)
    made = told("pressure_sensor_fault", early, blind, sensor)
    assert codes.first_cause(made) == "blind"
    assert codes.first_cause(made, longest=True) == "pressure_sensor_fault"
    assert codes.at_all([made], "pressure_sensor_fault") == codes.Scored(1, 0, 0)
    assert codes.at_all([made], "air_charge_low") == codes.Scored(0, 1, 0)


def test_what_cannot_be_told_apart_counts_as_the_cause_and_a_sound_plant_stays_nothing() -> None:
    valve = told("check_valve_passing", Said("blind", 5.0, 6.0, None), also=("blind",))
    sound = told("", Said("blind", 5.0, 6.0, None), onset=0.0)
    wrong = told("", Said("water_loss", 5.0, 6.0, None), onset=0.0)
    assert codes.first_cause(valve) == "check_valve_passing"
    assert codes.first_cause(sound) == ""
    assert codes.first_cause(wrong) == "water_loss"
    pairs = [(codes.must(t) or "", codes.first_cause(t)) for t in (valve, sound, wrong)]
    assert codes.by_label(pairs, "water_loss") == codes.Scored(0, 1, 0)
    assert "1 of 1" not in codes.table([valve, sound, wrong])
    assert "macro F1" in codes.table([valve, sound, wrong])


def test_a_fault_is_due_from_the_first_burn_that_moves_the_line() -> None:
    time = np.arange(10.0, 40000.0, 10.0)
    burner = ((time // 2000.0) % 5.0 == 1.0).astype(float)
    line = 400.0 + np.where(burner > 0.5, (time % 2000.0) / 20.0, 0.0)
    result = {"plant_time": time, "plant_pressure": line, "plant_burner": burner}
    assert due(result, 5000.0, "pressure_sensor_fault") == pytest.approx(14000.0, abs=10.0)
    assert due(result, 5000.0, "heater_state_fault") == pytest.approx(24000.0, abs=10.0)
    assert due(result, 39000.0, "heater_state_fault") is None
