"""Each check of commissioning where it decides, and what is near it and must not be said."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.commissioning.answer import FARTHEST, answer
from monitor.diagnosis.commissioning.check import Check, Code, Commissioning, Word
from monitor.diagnosis.commissioning.expected import expected
from monitor.diagnosis.commissioning.heating import heating
from monitor.diagnosis.commissioning.replay import level_of, time_to_notice
from monitor.estimation.noise import Noise
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples, empty
from monitor.service.commissioning import MOST, commission, piece
from monitor.site import HeaterKind, Site, Visit, VisitAction
from monitor.units import PSI
from tests.plants.formula import HOME, START, Line, at_site

DEFAULT = Line()


def found(line: Line = DEFAULT, site: Site = HOME) -> Commissioning:
    return commission(site, line.rows(site))


def check(code: Code, line: Line = DEFAULT, site: Site = HOME) -> Check:
    return of(found(line, site), code)


def of(result: Commissioning, code: Code) -> Check:
    (one,) = [one for one in result.checks if one.code is code]
    return one


def changed(rows: Samples, **columns: Callable[[np.ndarray], np.ndarray]) -> Samples:
    return replace(rows, **{name: change(getattr(rows, name)) for name, change in columns.items()})


def test_a_sound_site_fits_in_every_point_and_is_told_its_accuracy() -> None:
    result = found()
    assert {one.code: one.word for one in result.checks} == dict.fromkeys(Code, Word.FITS)
    assert result.fits
    assert all(not one.do for one in result.checks)
    assert result.accuracy is not None
    now, gauged = result.accuracy.now, result.accuracy.gauged
    assert now.low_kpa < now.kpa < now.high_kpa
    # A gauge reading takes the common scale away: the interval is less than half as wide.
    assert gauged.high_kpa - gauged.low_kpa < 0.5 * (now.high_kpa - now.low_kpa)
    assert any("cushionwatch visit home" in step for step in result.next)


def test_the_interval_after_a_gauge_reading_is_that_of_the_analyser_with_one() -> None:
    rows = DEFAULT.rows()
    gauged = commission(HOME, rows, [Visit(START + 60.0, VisitAction.GAUGED, 60 * PSI)])
    assert gauged.accuracy is not None
    # Gauged already: a second reading adds little, and no step asks for one.
    assert not any("--action gauged" in step for step in gauged.next)


def test_a_visit_long_before_the_rows_is_left_out() -> None:
    old = commission(HOME, DEFAULT.rows(), [Visit(START - 40 * 86400.0, VisitAction.GAUGED, 20 * PSI)])
    assert old.accuracy == found().accuracy


@pytest.mark.parametrize("rows", [empty(), DEFAULT.rows().between(0, 1)])
def test_without_readings_it_says_where_to_look(rows: Samples) -> None:
    result = commission(HOME, rows, refused=["no number: 'abc'"])
    assert [one.word for one in result.checks] == [Word.WRONG]
    assert "no number: 'abc'" in result.checks[0].seen
    assert "cushionwatch rejected" in result.checks[0].do
    assert not result.fits


def test_half_a_day_is_too_little_and_it_says_when_to_ask_again() -> None:
    result = found(Line(hours=12.0))
    one = of(result, Code.ENOUGH_DATA)
    assert one.word is Word.NOT_SEEN
    assert "6 January 2026, 00:00" in one.do or "5 January 2026, 23:59" in one.do
    assert one.do in result.next
    assert of(found(Line(hours=25.0)), Code.ENOUGH_DATA).word is Word.FITS


def test_holes_do_not_count_as_data() -> None:
    rows = Line(hours=30.0).rows()
    since = rows.time - START
    keep = np.flatnonzero((since < 4 * 3600) | (since > 14 * 3600))
    cut = Samples(*(column[keep] for column in (rows.time, rows.pressure, rows.heater, rows.temperature)))
    result = commission(HOME, cut)
    assert of(result, Code.ENOUGH_DATA).word is Word.NOT_SEEN
    sampled = of(result, Code.SAMPLING)
    assert sampled.word is Word.WRONG
    assert sampled.evidence["longest_gap_s"] == pytest.approx(36000.0, abs=20.0)


@pytest.mark.parametrize(
    ("interval", "burn", "word"),
    [
        (10.0, 600.0, Word.FITS),
        (60.0, 600.0, Word.DOUBTFUL),  # 14 rows of a burn and its tail
        (60.0, 60.0, Word.WRONG),  # 5 rows: a fast heater
        (10.0, 60.0, Word.FITS),
    ],
)
def test_sampling_is_held_against_the_burns_that_are_seen(interval: float, burn: float, word: Word) -> None:
    one = check(Code.SAMPLING, Line(interval=interval, burn=burn))
    assert one.word is word
    assert one.evidence["burn_s"] == pytest.approx(burn, abs=interval)
    if word is not Word.FITS:
        assert "every 15 s" in one.do or "every 30 s" in one.do or "every 10 s" in one.do


def test_sampling_without_burns_is_held_against_a_reheat_by_the_plate() -> None:
    rows = changed(DEFAULT.rows(), heater=np.zeros_like)
    one = of(commission(HOME, rows), Code.SAMPLING)
    # 5 K of 0.9 x 150 L at 11.7 kW x 0.77: 0.15 x 4.18e6 x 0.9 x 5 / 9009 = 311 s (density 992 kg/m³ at 40 °C).
    assert one.evidence["burn_s"] == pytest.approx(311.0, rel=0.01)


def test_readings_on_change_only_are_told() -> None:
    rows = DEFAULT.rows()
    rng = np.random.default_rng(4)
    keep = np.sort(rng.choice(len(rows), len(rows) // 2, replace=False))
    keep = keep[(keep % 90 < 70)]
    cut = Samples(*(column[keep] for column in (rows.time, rows.pressure, rows.heater, rows.temperature)))
    assert of(commission(HOME, cut), Code.SAMPLING).word in {Word.DOUBTFUL, Word.WRONG}


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        (lambda p: p + 101.3, "absolute pressure is sent as gauge"),
        (lambda p: p - 101.3, "an atmosphere is taken off"),
        (lambda p: p * 6.894757, "kPa is read as psi"),
        (lambda p: p / 6.894757, "psi is read as kPa"),
        (lambda p: p * 14.50377, "psi is read as bar"),
        (lambda p: p / 14.50377, "bar is read as psi"),
        (lambda p: p * 100.0, "kPa is read as bar"),
        (lambda p: p / 100.0, "bar is read as kPa"),
        (lambda p: p * 0.0, "no pressure at the sensor"),
    ],
)
def test_a_wrong_unit_or_zero_is_named_and_never_converted(
    change: Callable[[np.ndarray], np.ndarray], cause: str
) -> None:
    rows = changed(DEFAULT.rows(), pressure=change)
    result = commission(HOME, rows)
    one = of(result, Code.PRESSURE_UNIT)
    assert one.word is Word.WRONG
    assert cause in one.seen
    assert "Nothing is converted" in one.do
    assert of(result, Code.TANK).word is Word.NOT_SEEN
    assert result.accuracy is None


@pytest.mark.parametrize(
    ("level", "word"),
    [(54, Word.FITS), (67, Word.FITS), (71, Word.DOUBTFUL), (50, Word.DOUBTFUL), (90, Word.WRONG)],
)
def test_a_supply_that_differs_is_doubted_by_how_much(level: int, word: Word) -> None:
    one = check(Code.PRESSURE_UNIT, Line(level=level * PSI))
    assert one.word is word
    assert "likely_cause" not in one.evidence


def test_a_site_file_without_supply_is_asked_for_it() -> None:
    result = found(site=at_site(supply=None))
    one = of(result, Code.PRESSURE_UNIT)
    assert one.word is Word.NOT_SEEN
    assert "[supply] pressure" in one.do
    assert of(result, Code.TANK).word is Word.FITS  # the charge is stated


def test_coarse_and_noisy_pressure_is_held_against_the_rise_of_a_burn() -> None:
    assert check(Code.PRESSURE_SIGNAL, Line(resolution=0.1 * PSI)).word is Word.FITS
    assert check(Code.PRESSURE_SIGNAL, Line(noise=6e3)).word is Word.DOUBTFUL
    assert check(Code.PRESSURE_SIGNAL, Line(noise=30e3)).word is Word.WRONG
    rise = check(Code.PRESSURE_SIGNAL).evidence["expected_rise_kpa"]
    assert rise == pytest.approx(expected(plant_of(HOME), 60 * PSI).climb * 600.0 / 1e3, rel=0.02)


def test_a_frozen_reading_is_told_but_a_quiet_night_is_not() -> None:
    rows = DEFAULT.rows()
    frozen = changed(rows, pressure=lambda p: np.full(len(p), p[0]))
    result = commission(HOME, frozen)
    assert of(result, Code.PRESSURE_SIGNAL).word is Word.WRONG
    assert of(result, Code.SENSOR_PLACE).word is Word.NOT_SEEN
    steps = Line(resolution=1.0 * PSI, noise=300.0)
    assert check(Code.PRESSURE_SIGNAL, steps).evidence["longest_still_s"] != 0.0
    assert check(Code.PRESSURE_SIGNAL, steps).word is not Word.WRONG


def test_no_heater_signal_is_wrong_and_what_hangs_on_it_waits() -> None:
    result = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: np.full(len(h), np.nan)))
    one = of(result, Code.HEATER_STATE)
    assert one.word is Word.WRONG
    assert "not reported" in one.seen
    waiting = (Code.HEATER_ENERGY, Code.CLOCKS, Code.SENSOR_PLACE, Code.TANK, Code.WINDOWS)
    assert all(of(result, code).word is Word.NOT_SEEN for code in waiting)
    assert all("heater state" in of(result, code).seen for code in waiting)
    assert result.next[0].startswith("Heater state: Connect")


def test_an_inverted_state_is_told_from_a_stuck_one() -> None:
    inverted = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: 1.0 - h))
    assert of(inverted, Code.HEATER_STATE).word is Word.WRONG
    assert "upside down" in of(inverted, Code.HEATER_STATE).seen
    stuck = commission(HOME, changed(DEFAULT.rows(), heater=np.ones_like))
    assert of(stuck, Code.HEATER_STATE).word is Word.WRONG
    assert "without a pause" in of(stuck, Code.HEATER_STATE).seen


@pytest.mark.parametrize(
    ("hours", "word"), [(12.0, Word.NOT_SEEN), (30.0, Word.DOUBTFUL), (50.0, Word.WRONG)]
)
def test_a_heater_that_is_never_on_is_doubted_by_how_long(hours: float, word: Word) -> None:
    rows = changed(Line(hours=hours).rows(), heater=np.zeros_like)
    assert of(commission(HOME, rows), Code.HEATER_STATE).word is word


def test_a_loop_may_be_on_for_a_day() -> None:
    loop = at_site(heater_kind=HeaterKind.LOOP)
    one = of(commission(loop, changed(DEFAULT.rows(), heater=np.ones_like)), Code.HEATER_STATE)
    assert "a thermostat pauses" not in one.seen


def test_watts_that_never_reach_zero_and_kilowatts_are_told() -> None:
    idle = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: 3.0 + 11697.0 * h))
    assert "never falls to 0" in of(idle, Code.HEATER_STATE).seen
    kilo = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: 11.7 * h))
    assert "kilowatts are sent as watts" in of(kilo, Code.HEATER_STATE).seen
    sound = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: 11700.0 * h))
    assert of(sound, Code.HEATER_STATE).word is Word.FITS
    assert of(sound, Code.HEATER_ENERGY).word is Word.FITS
    weak = commission(HOME, changed(DEFAULT.rows(), heater=lambda h: 6000.0 * h))
    assert "6 kW are reported" in of(weak, Code.HEATER_ENERGY).seen


def test_a_state_that_is_known_now_and_then_is_not_enough() -> None:
    def holes(share: float) -> Callable[[np.ndarray], np.ndarray]:
        return lambda h: np.where(np.arange(len(h)) % 1000 < 1000 * share, np.nan, h)

    assert (
        of(commission(HOME, changed(DEFAULT.rows(), heater=holes(0.6))), Code.HEATER_STATE).word is Word.WRONG
    )
    assert (
        of(commission(HOME, changed(DEFAULT.rows(), heater=holes(0.2))), Code.HEATER_STATE).word
        is Word.DOUBTFUL
    )
    assert (
        of(commission(HOME, changed(DEFAULT.rows(), heater=holes(0.02))), Code.HEATER_STATE).word is Word.FITS
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"heater_volume": None}, "volume had to be guessed"),
        ({"heater_input": None}, "input had to be guessed"),
        ({"heater_input": 200e3}, "more than such a heater takes"),
        ({"heater_input": 200.0}, "no thermostat starts for so little"),
    ],
)
def test_burns_that_do_not_go_with_the_plate_are_doubted(changes: dict[str, float | None], said: str) -> None:
    one = of(commission(at_site(**changes), DEFAULT.rows()), Code.HEATER_ENERGY)
    assert one.word is Word.DOUBTFUL
    assert said in one.seen


@pytest.mark.parametrize("late", [600.0, -600.0, 2 * 3600.0 + 60.0])
def test_clocks_apart_are_told_with_their_lag(late: float) -> None:
    # Uneven spacing, or another burn would explain a lag as well.
    rows = _uneven(late)
    result = commission(HOME, rows)
    one = of(result, Code.CLOCKS)
    assert one.word is Word.WRONG
    assert one.evidence["lag_s"] == pytest.approx(late, abs=120.0)
    assert ("after" if late > 0 else "before") in one.seen
    assert of(result, Code.TANK).word is Word.NOT_SEEN
    assert result.accuracy is None


@pytest.mark.parametrize("late", [0.0, 60.0, 120.0])
def test_a_lag_that_metal_explains_is_no_fault_of_clocks(late: float) -> None:
    assert of(commission(HOME, _uneven(late)), Code.CLOCKS).word is Word.FITS


def _uneven(late: float) -> Samples:
    """Return rows whose burns come at uneven times, with the pressure ``late`` s behind the state."""
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 60 * 3600.0, 10.0)
    starts = np.cumsum(rng.uniform(2.0, 5.0, 14)) * 3600.0
    climb = expected(plant_of(HOME), HOME.supply or 0.0).climb
    on, p = np.zeros(len(time)), np.full(len(time), 60 * PSI)
    for start in starts:
        on[(time >= start) & (time < start + 600.0)] = 1.0
        since = time - late - start
        p += climb * np.where((since > 0) & (since < 1800.0), np.minimum(since, 600.0), 0.0)
        p[(since >= 1800.0) & (since < 1920.0)] -= 40e3
    p += rng.normal(0.0, 300.0, len(time))
    return Samples(START + time, p / 1e3, on, np.full(len(time), np.nan))


def test_a_line_that_does_not_answer_to_heat_is_told_with_the_three_causes() -> None:
    result = found(Line(answers=0.0))
    one = of(result, Code.SENSOR_PLACE)
    assert one.word is Word.WRONG
    assert "street side of the check valve" in one.seen
    assert of(result, Code.WINDOWS).word is Word.NOT_SEEN


@pytest.mark.parametrize("answers", [0.7, 1.5, 6.0])
def test_a_softer_or_a_stiffer_line_answers_all_the_same(answers: float) -> None:
    assert check(Code.SENSOR_PLACE, Line(answers=answers)).word is Word.FITS


def test_climbs_without_heat_are_doubted_but_refills_are_not() -> None:
    one = check(Code.SENSOR_PLACE, Line(strange=True))
    assert one.word is Word.DOUBTFUL
    assert "second heater" in one.seen
    assert check(Code.SENSOR_PLACE, Line(every=1800.0 * 2)).word is Word.FITS


def test_few_burns_leave_the_place_open() -> None:
    assert check(Code.SENSOR_PLACE, Line(every=20 * 3600.0)).word is Word.NOT_SEEN


def test_no_temperature_is_needed_and_what_it_costs_is_told() -> None:
    result = found(Line(temperature=None))
    one = of(result, Code.TEMPERATURE)
    assert one.word is Word.FITS
    # The expansion per joule of water grows by about 1.4 % a kelvin at 54 °C (IAPWS R6-95), of 515 kPa absolute.
    assert one.evidence["kpa_per_kelvin"] == pytest.approx(0.014 * 515.0, rel=0.1)
    assert result.accuracy is not None
    assert result.accuracy.blind_now is None


@pytest.mark.parametrize(
    ("line", "site", "word", "said"),
    [
        (Line(temperature=60.0), HOME, Word.FITS, "60 °C"),
        (Line(temperature=70.0), HOME, Word.DOUBTFUL, "not believed"),
        (Line(temperature=129.2), HOME, Word.WRONG, "Fahrenheit"),
        (DEFAULT, at_site(heater_setpoint=None), Word.DOUBTFUL, "no setpoint"),
    ],
)
def test_a_temperature_is_held_against_the_setpoint(line: Line, site: Site, word: Word, said: str) -> None:
    one = check(Code.TEMPERATURE, line, site)
    assert one.word is word
    assert said in one.seen


@pytest.mark.parametrize(
    ("setting", "word"), [(150, Word.FITS), (70, Word.DOUBTFUL), (62, Word.WRONG), (40, Word.WRONG)]
)
def test_a_relief_setting_is_above_the_line_and_its_peaks(setting: int, word: Word) -> None:
    one = check(Code.RELIEF, DEFAULT, at_site(relief=setting * PSI))
    assert one.word is word
    assert ("Never plug" in one.do) is (word is not Word.FITS)


def test_a_relief_setting_that_is_not_known_is_asked_for() -> None:
    assert check(Code.RELIEF, DEFAULT, at_site(relief=None)).word is Word.NOT_SEEN


@pytest.mark.parametrize(("answers", "word"), [(1.0, Word.FITS), (2.0, Word.DOUBTFUL), (8.0, Word.WRONG)])
def test_the_stated_charge_is_held_against_the_weighed_one(answers: float, word: Word) -> None:
    one = check(Code.TANK, Line(answers=answers))
    assert one.word is word


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tank_volume": None}, "not in the site file"),
        ({"tank_volume": 0.1}, "unusual"),
        ({"tank_volume": 1e-3}, "unusual"),
    ],
)
def test_a_tank_of_no_or_of_an_odd_size_is_doubted(changes: dict[str, float | None], said: str) -> None:
    one = of(commission(at_site(**changes), DEFAULT.rows()), Code.TANK)
    assert one.word is Word.DOUBTFUL
    assert said in one.seen


def test_windows_are_counted_and_turned_into_a_time_to_notice() -> None:
    one = check(Code.WINDOWS)
    assert one.evidence["windows_a_day"] == pytest.approx(8.0, abs=1.0)
    # A burn every 3 h: the second window from any instant ends 3 to 6 h later.
    assert one.evidence["notice_median_s"] == pytest.approx(4.5 * 3600.0, rel=0.1)
    assert check(Code.WINDOWS, Line(every=11 * 3600.0)).word is Word.DOUBTFUL


def test_the_time_to_notice_is_that_of_the_second_window() -> None:
    ends = np.array([10.0, 20.0, 30.0, 40.0])
    middle, late = time_to_notice(ends, 0.0, 40.0) or (math.nan, math.nan)
    assert middle == pytest.approx(15.0, abs=1.0)
    assert late == pytest.approx(19.0, abs=1.0)
    assert time_to_notice(ends[:1], 0.0, 40.0) is None


def test_burns_are_counted_with_both_ends_and_silences_end_them() -> None:
    time = np.array([0.0, 10, 20, 30, 40, 1000, 1010, 1020, 1030])
    on = np.array([1.0, 1, 0, 1, 0, 1, 1, 0, np.nan])
    rows = Samples(time, np.zeros(9), on, np.full(9, np.nan))
    seen = heating(rows, plant_of(HOME))
    assert seen.burns.tolist() == [10.0]  # the first began before the rows, the last before the silence ended
    assert seen.share_known == pytest.approx(1.0)
    assert seen.longest == 20.0


def test_the_index_is_one_at_the_true_lag_and_zero_by_chance() -> None:
    rows = _uneven(300.0)
    level = level_of(rows)
    climb = expected(plant_of(HOME), level.level).climb
    seen = answer(rows, level.noise, (level.level, level.low, level.spread), climb)
    assert seen is not None
    assert seen.best(-FARTHEST, FARTHEST)[0] == pytest.approx(5, abs=1)
    assert seen.index(5) > 0.9
    assert abs(seen.index(-300)) < 0.3
    assert answer(rows, Noise(1e6, 0.0), (level.level, level.low, level.spread), climb) is None


def test_a_piece_is_the_first_or_the_latest_72_hours() -> None:
    rows = Line(hours=100.0, interval=60.0).rows()
    first, last = piece(rows, latest=False), piece(rows, latest=True)
    assert first.time[0] == rows.time[0]
    assert first.time[-1] == rows.time[0] + MOST
    assert last.time[-1] == rows.time[-1]
    assert last.time[0] == rows.time[-1] - MOST
    assert len(piece(empty(), latest=True)) == 0


def test_the_next_step_begins_with_what_is_wrong() -> None:
    rows = changed(Line(interval=60.0).rows(), pressure=lambda p: p * 6.894757)
    result = commission(HOME, rows)
    assert "Unit and zero" in result.next[0]
    assert "--latest" in result.next[1]


def test_what_is_only_not_known_is_asked_for_last() -> None:
    result = found(site=at_site(relief=None))
    assert not result.fits
    assert result.next[0].startswith("Relief valve: Read the setting")
    assert not any("Nothing to change" in step for step in result.next)
