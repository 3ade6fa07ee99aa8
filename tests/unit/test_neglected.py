"""Each neglected effect against an estimate by hand that shares no code with it, or a printed number."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from typer.testing import CliRunner

from monitor.cli.main import app
from monitor.errors import OutOfRangeError
from monitor.estimation.belief import expected_growth
from monitor.estimation.heat import growth as gauge_growth
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.windows import Kind, Window
from monitor.physics.boiling import saturation_pressure
from monitor.physics.dissolved import air_content, bubble_volume, vapour_pressure
from monitor.physics.fluids import Glycol, mass_share
from monitor.site import Antifreeze, Heater, HeaterKind, Site
from monitor.sizing.cushion_effects import warm_share
from monitor.sizing.effect import OPEN, Taken
from monitor.sizing.neglected import LATER, Row, Table, table
from monitor.sizing.typical import HOME, LOOP, SYSTEMS, WINDOW, System
from monitor.sizing.world import base, growth, inferred, shown, window_growth

ATMOSPHERE = 101_325.0
ABSOLUTE = HOME.charge + ATMOSPHERE  # Pa, air charge of the home
P1 = HOME.supply + ATMOSPHERE
LINE = 0.15 * (0.44e-9 + 0.5e-9 + 2e-9)  # m3/Pa: water, shell, pipes and hoses of 150 L
IN_GAS = 1.0 / (1.0 + LINE * P1 * (P1 + 38e3) / (ABSOLUTE * HOME.tank))  # share of a window's growth: 0.97
NET = 452e-6 - 3 * 11.7e-6  # 1/K: beta at 49 degC, the middle of a window (CoolProp), less steel


@lru_cache(maxsize=4)
def worked(name: str) -> Table:
    return table(SYSTEMS[name])


def row(words: str, name: str = "home") -> Row:
    (found,) = [one for one in worked(name).rows if words in one.effect.name]
    return found


# IUPAC volumes 7 and 10 against older measurements: L. W. Winkler 1904 in Kaye and Laby, Tables of Physical
# and Chemical Constants, 1941, p. 145: mL (0 °C, 1 atm) in 1 L of water under air at 760 mmHg, vapour included.
@pytest.mark.parametrize(
    ("t", "printed"), [(0.01, 29.2), (5, 25.7), (10, 22.8), (15, 20.5), (20, 18.7), (25, 17.1)]
)
def test_air_in_water_is_as_winkler_measured_it(t: float, printed: float) -> None:
    """2 %: argon, counted as nitrogen here, dissolves twice as well and is 0.9 % of the air."""
    assert float(air_content(t, ATMOSPHERE)) * 22.414 == pytest.approx(printed, rel=0.02)


# J. Res. NBS 77A (1973) 133, table 3: mole fraction of air per bar, 1e-6.
@pytest.mark.parametrize(
    ("t", "printed", "tolerance"),
    [(10, 18.26, 0.01), (25, 13.84, 0.015), (40, 11.34, 0.03), (50, 10.44, 0.03)],
)
def test_air_in_water_is_as_printed_for_warmer_water(t: float, printed: float, tolerance: float) -> None:
    """In warm water that table rests on measurements from before 1970, which lie lower than the later ones."""
    per_bar = float(air_content(t, 1e5 + vapour_pressure(t)))
    water = {10.0: 999.7, 25.0: 997.05, 40.0: 992.2, 50.0: 988.0}[t] / 18.015e-3
    assert per_bar / water == pytest.approx(printed * 1e-6, rel=tolerance)


# Steam tables (IAPWS), kPa.
@pytest.mark.parametrize(("t", "printed"), [(0.01, 0.61166), (20, 2.3393), (50, 12.352), (100, 101.42)])
def test_vapour_pressure_is_that_of_the_steam_tables(t: float, printed: float) -> None:
    assert float(vapour_pressure(t)) / 1e3 == pytest.approx(printed, rel=2e-4)
    assert saturation_pressure(t) / 1e3 == pytest.approx(printed, rel=2e-4)


def test_boiling_goes_on_where_the_table_of_water_ends() -> None:
    """Steam tables (IAPWS): 120.90 kPa at 105, 143.38 at 110, 476.16 at 150 degC."""
    found = [saturation_pressure(t) / 1e3 for t in (105.0, 110.0, 150.0)]
    assert found == [pytest.approx(p, rel=2e-4) for p in (120.90, 143.38, 476.16)]
    with pytest.raises(OutOfRangeError, match="151"):
        saturation_pressure(151.0)


def test_dissolved_air_refuses_what_its_sources_do_not_cover() -> None:
    with pytest.raises(OutOfRangeError, match="80"):
        air_content(80.0, 5e5)
    with pytest.raises(OutOfRangeError, match="-1"):
        air_content(20.0, [5e5, -1.0])
    with pytest.raises(OutOfRangeError, match="101"):
        vapour_pressure(101.0)


def test_water_from_under_the_atmosphere_keeps_its_air_under_line_pressure_and_loses_it_without() -> None:
    held = air_content(10.0, ATMOSPHERE)
    assert float(bubble_volume(held, 60.0, 500e3)) == 0.0
    assert float(bubble_volume(held, 60.0, ATMOSPHERE)) > 0.01
    assert row("under the atmosphere").growth.size == 0.0


def test_water_saturated_at_the_line_loses_as_much_room_as_it_grows() -> None:
    """20.5 mL/L/atm at 15 °C and 12.8 mL/L/bar at 50 °C (the tables above), at 5.15 bar, 54 °C."""
    freed = 20.5 * 5.15 / 1.01325 - 12.8 * 0.97 * 5.0  # mL/L at 0 °C, 1 atm; 3 % less at 54 than at 50 °C
    share = freed * 1e-3 * (327.15 / 273.15) * 1.01325 / 5.0
    assert row("at the line's pressure").growth.high * worked("home").growth == pytest.approx(
        share * HOME.content, rel=0.06
    )


def test_walls_take_a_ninth_of_the_growth() -> None:
    """3 alpha dT of steel against the handbook's densities, 999.10 at 15 and 986.19 at 54 °C."""
    walls, e = 3.0 * 11.7e-6 * 39.0, 999.10 / 986.19 - 1.0
    assert row("walls grow").growth.high == pytest.approx(-walls / (e - walls), rel=0.005)


def test_a_gauge_without_the_walls_would_see_a_softer_line_by_3_alpha_over_beta() -> None:
    """The line takes 3 % of the growth."""
    found = row("walls grow")
    assert found.charge.high / ABSOLUTE == pytest.approx(3.0 * 11.7e-6 / NET / IN_GAS, rel=0.02)
    assert found.effect.gauge is found.effect.sizing is Taken.COUNTED
    assert row("walls grow", "loop").effect.sizing is Taken.BY_METHOD


def test_a_shell_that_grows_otherwise_moves_both_by_its_share() -> None:
    """Stainless steel has 16.0e-6 per kelvin; half as warm is half of 3 x 11.7e-6. Net growth 1.175 %."""
    found = row("stainless")
    for shift, alpha in ((found.charge.high, -4.3e-6), (found.charge.low, 0.5 * 11.7e-6)):
        assert shift is not None
        more = 3.0 * alpha / NET
        assert shift / ABSOLUTE == pytest.approx(-more / (1.0 + more) / IN_GAS, rel=0.03)
    assert found.growth.high == pytest.approx(-3.0 * 4.3e-6 * 39.0 / 0.01175, rel=0.01)
    assert found.growth.low == pytest.approx(3.0 * 0.5 * 11.7e-6 * 39.0 / 0.01175, rel=0.01)


@pytest.mark.parametrize(
    ("words", "compliance", "tolerance"),
    [  # m3/Pa: D/(eE) (5/4 - nu) V, thin wall; D/(eE) (1 - nu2) V; kappa V at 35 degC, 0.444 1/GPa
        ("shell of the heater gives", 0.44 / (0.003 * 200e9) * 0.95 * 0.150, 0.04),
        ("copper pipes", 0.020 / (0.001 * 117e9) * (1 - 0.34**2) * 0.0126, 0.15),
        ("compressible", 0.444e-9 * 0.1626, 0.04),
        ("trapped air give", 2e-9 * 0.150, 0.01),
    ],
)
def test_what_gives_in_the_line_looks_like_air(words: str, compliance: float, tolerance: float) -> None:
    """Ce p1 p2 of air: what the gauge would take for gas without the term. Thin walls err by up to 10 %."""
    p2 = P1 + worked("home").rise
    assert row(words).charge.high == pytest.approx(compliance * P1 * p2 / HOME.tank, rel=tolerance)


def test_an_air_pocket_is_air() -> None:
    assert row("air pocket").charge.high == pytest.approx(P1 * HOME.pocket / HOME.tank, rel=1e-3)


def test_gas_that_keeps_its_warmth_reaches_what_the_closed_form_says() -> None:
    room = ABSOLUTE * HOME.tank / P1
    ratio = room / (room - worked("home").growth)
    assert row("no warmth at all").peak.high == pytest.approx(P1 * (ratio**1.4 - ratio), rel=1e-6)
    assert worked("home").peak == pytest.approx(P1 * ratio - ATMOSPHERE, rel=1e-9)


def test_settling_of_gas_follows_its_equation() -> None:
    """d(theta)/dt = heating - theta/tau, stepped by hand; 1 for a shock, tau/T in the long run."""
    tau, seconds, steps, theta = 60.0, 200.0, 20_000, 0.0
    for _ in range(steps):
        theta += (1.0 / seconds - theta / tau) * seconds / steps
    assert warm_share(seconds, tau) == pytest.approx(theta, rel=1e-3)
    assert warm_share(1e-3, tau) == pytest.approx(1.0, rel=1e-4)
    assert warm_share(1e5, tau) == pytest.approx(tau / 1e5)
    assert row("keeps some warmth").charge.high / ABSOLUTE == pytest.approx(-0.04 / 1.04, rel=0.05)


def test_a_warmer_room_is_more_pressure_in_the_same_gas() -> None:
    assert row("room 5 K").charge.high == pytest.approx(ABSOLUTE * 5.0 / 293.15, rel=1e-6)


def test_gas_that_warms_in_a_window_adds_to_its_rise() -> None:
    """dT/T of the pressure on top of the rise; the line, which also gives, takes back a little."""
    more = (P1 + worked("home").rise) * 0.5 / 293.15
    assert row("warmed from outside").charge.high / ABSOLUTE == pytest.approx(
        -more / (worked("home").rise + more), rel=0.1
    )


def test_vapour_in_the_gas_does_not_squeeze() -> None:
    """p_sat = 2.339 kPa: dV/dp of the air goes as (p0 - p_sat)/(p - p_sat)2 instead of p0/p2."""
    middle = P1 + 0.5 * worked("home").rise
    expected = ABSOLUTE * (2.0 * 2339.0 / middle - 2339.0 / ABSOLUTE)
    assert row("water vapour").charge.high == pytest.approx(expected, rel=0.03)


def test_a_column_of_water_and_a_zero_error_shift_the_charge_twice() -> None:
    """A goes as p1 p2: dA/A = dp (1/p1 + 1/p2), here with dp = 998.2 x 9.80665 x 2 m and 5 kPa."""
    twice = ABSOLUTE * (1.0 / P1 + 1.0 / (P1 + worked("home").rise))
    for words, offset in (("sensor 2 m", 998.2 * 9.80665 * 2.0), ("zero error", 5e3)):
        found = row(words).charge
        assert found.low is not None
        assert 0.5 * (found.high - found.low) == pytest.approx(twice * offset, rel=0.01)


def test_air_pressure_hardly_matters_to_a_gauge_that_knows_the_line() -> None:
    """3 kPa shift p1 and p2 alike (twice, as above), and once back from absolute to gauge."""
    twice = ABSOLUTE * (1.0 / P1 + 1.0 / (P1 + worked("home").rise))
    assert row("weather").charge.high == pytest.approx(-3e3 * (twice - 1.0), rel=0.02)
    assert row("altitude").charge.high / row("weather").charge.high == pytest.approx(3.64 / 3.0, rel=0.02)


def test_a_hand_gauge_passes_its_error_on_at_the_visit_only() -> None:
    """2 % of 160 psi are 22.06 kPa; in proportion to air and line that are left later, which rises by 48 kPa."""
    found = row("hand gauge")
    later = (LATER * HOME.charge + ATMOSPHERE) * HOME.tank + LINE * P1 * (P1 + 48e3)
    left = later / (ABSOLUTE * HOME.tank + LINE * P1 * (P1 + worked("home").rise))
    assert found.after_visit.high == pytest.approx(0.02 * 160 * 6894.757 * left, rel=1e-3)
    assert found.charge.size < 1e-3


def test_a_larger_tank_holds_more_air_at_the_same_charge() -> None:
    assert row("tank 5 %").charge.high == pytest.approx(0.05 * ABSOLUTE, rel=1e-6)
    assert row("tank 5 %").after_visit.size < 0.01 * row("tank 5 %").charge.size


@pytest.mark.parametrize(
    ("words", "more"),
    [("heater input", 0.05), ("efficiency", 0.04 / 0.77), ("standby", -3.0 * 34.0 / 9009.0)],
)
def test_more_heat_is_more_growth_at_the_cold_end_of_the_window(words: str, more: float) -> None:
    """Extra heat belongs to the start of a window: beta there is 418e-6, on average 452e-6 (44, 49 °C)."""
    expected = (1.0 / (1.0 + more * (418e-6 - 3 * 11.7e-6) / NET) - 1.0) / IN_GAS
    assert row(words).charge.high / ABSOLUTE == pytest.approx(expected, rel=0.05)


def test_a_setpoint_moves_growth_by_beta_and_the_gauge_by_the_slope_of_beta() -> None:
    """Beta at 54 °C 484e-6 less 35e-6 of steel, over a net growth of 1.175 %; at 49 °C beta gains 6.9e-6 per kelvin."""
    found = row("setpoint")
    assert found.growth.high == pytest.approx(2.5 * 449e-6 / 0.01175, rel=0.04)
    more = 2.5 * 6.9e-6 / NET
    assert found.charge.high / ABSOLUTE == pytest.approx(-more / (1.0 + more) / IN_GAS, rel=0.04)


def test_colder_water_grows_more() -> None:
    """Densities of the CRC Handbook: 999.70 at 10, 999.10 at 15, 998.21 at 20 °C."""
    found = row("cold water")
    steel = 3 * 11.7e-6 * 5.0
    assert found.growth.high == pytest.approx((999.70 / 999.10 - 1 - steel) / 0.01175, rel=0.03)
    assert found.growth.low == pytest.approx(-(999.10 / 998.21 - 1 - steel) / 0.01175, rel=0.03)
    assert found.charge.size < 1e-3


def test_a_fifth_that_stays_cold_does_not_grow() -> None:
    found = row("a fifth")
    assert found.growth.high == pytest.approx(-0.2)
    slope = 20.0 * 7.8e-6 / NET  # beta from 29 to 49 °C: 297 to 452e-6 (CoolProp)
    assert found.charge.high / ABSOLUTE == pytest.approx(0.2 * slope / (1.0 - 0.2 * slope) / IN_GAS, rel=0.03)


def test_what_leaks_or_shrinks_is_missing_from_the_window() -> None:
    grown = window_growth(base(HOME))
    for words, lost in (("check valve", 10e-6), ("cool by", 0.005 * 5.0 * 474e-6)):
        assert row(words).charge.high / ABSOLUTE == pytest.approx(lost / (grown - lost) / IN_GAS, rel=0.02)
    assert row("check valve").effect.gauge is Taken.FAULT


def test_glycol_grows_half_as_much_again_as_water() -> None:
    """30 % by volume is 30.8 % by mass. 10 to 70 °C: water 2.24 % (IAPWS), mixture 3.41 % (Melinder)."""
    walls = 3 * 11.7e-6 * 60.0
    assert row("does not name", "loop").growth.high == pytest.approx(
        (0.0341 - 0.0224) / (0.0341 - walls), rel=0.02
    )
    assert not [one for one in worked("home").rows if "glycol" in one.effect.name]


def test_what_the_tables_of_glycol_give_too_much_is_less_growth() -> None:
    """A fifth over the handbook filled cold, a tenth in a window; the shell keeps what it takes."""
    found, walls = row("inhibited", "loop"), 3 * 11.7e-6 * 60.0
    assert found.growth.high == pytest.approx(-0.0341 / 6.0 / (0.0341 - walls), rel=0.01)
    less = 1.0 / 11.0 * 669.0 / (669.0 - 35.1)  # 1e-6/K: beta of the mixture at 64 degC (Melinder)
    assert found.charge.high / (LOOP.charge + ATMOSPHERE) == pytest.approx(less / (1.0 - less), rel=0.03)


@pytest.mark.parametrize("name", SYSTEMS)
def test_both_ends_of_a_range_pull_apart(name: str) -> None:
    for one in worked(name).rows:
        for shift in (one.growth, one.peak, one.charge, one.after_visit):
            assert shift.low is None or shift.high * shift.low <= 1e-9, one.effect.name


@pytest.mark.parametrize("name", SYSTEMS)
def test_a_gauge_reading_takes_away_what_is_the_same_in_every_window(name: str) -> None:
    for one in worked(name).rows:
        if one.effect.steady and "hand gauge" not in one.effect.name:
            assert one.after_visit.size <= 0.35 * one.charge.size + 1e-6, one.effect.name
    total = worked(name).total
    assert total.after_visit < 0.35 * total.charge


@pytest.mark.parametrize("name", SYSTEMS)
def test_uncertainties_add_as_the_gum_says(name: str) -> None:
    rows = worked(name).rows
    open_ = [one.charge.size / math.sqrt(3) for one in rows if one.effect.gauge in OPEN]
    assert worked(name).total.charge == pytest.approx(np.linalg.norm(open_))
    assert max(open_) < worked(name).total.charge < sum(open_)
    assert [one.size for one in rows] == sorted((one.size for one in rows), reverse=True)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.75, 1.0])
@pytest.mark.parametrize("name", SYSTEMS)
def test_the_undisturbed_gauge_returns_the_charge_that_made_the_window(name: str, share: float) -> None:
    system = SYSTEMS[name]
    world, charge = base(system), share * system.charge
    found = inferred(world, *shown(world, charge)) / system.tank - ATMOSPHERE
    assert found == pytest.approx(charge, rel=1e-6)


KINDS = {"home": HeaterKind.STORAGE, "plant-room": HeaterKind.INDIRECT, "loop": HeaterKind.LOOP}


def told(system: System) -> Plant:
    """Return what the gauge makes of a site file with all that is known of ``system``."""
    share = mass_share(Glycol.PROPYLENE, system.glycol_share)
    mixture = Antifreeze("propylene", share) if system.glycol_share else None
    held = sum(part.volume for part in system.site)
    heater = Heater(KINDS[system.name], held, system.watts, system.efficiency, system.hot, mixture)
    return plant_of(
        Site(
            id=system.name,
            heater=heater,
            tank_volume=system.tank,
            supply=system.supply,
            precharge=system.charge,
        )
    )


def seen(system: System) -> float:
    """Return the growth [m³] that the gauge makes of a window."""
    time = np.linspace(0.0, WINDOW, 61)
    return float(gauge_growth(time, np.ones(61), np.full(61, np.nan), told(system), ended=True).volume[-1])


@pytest.mark.parametrize("system", SYSTEMS.values(), ids=SYSTEMS)
def test_the_believed_world_is_what_the_gauge_computes_today(system: System) -> None:
    plant, world = told(system), base(system)
    assert window_growth(world) == pytest.approx(seen(system), rel=2e-3)
    assert world.line_elastic == pytest.approx(plant.elastic, rel=1e-9)
    assert world.outside == pytest.approx(plant.atmosphere)
    # The gauge knows of the heater's water alone, and takes cold water to have 10 °C.
    alone = replace(world, system=replace(system, pipes_heated=system is LOOP), cold=10.0)
    assert growth(alone) == pytest.approx(plant.full_recovery, rel=2e-3)


@pytest.mark.parametrize("scale", [1.0, 0.85])
@pytest.mark.parametrize("share", [0.3, 1.0])
@pytest.mark.parametrize("system", SYSTEMS.values(), ids=SYSTEMS)
def test_the_charge_inferred_here_is_the_one_that_the_gauge_infers(
    system: System, share: float, scale: float
) -> None:
    plant, world = told(system), base(system)
    p1, p2 = shown(world, share * system.charge)
    air = inferred(world, p1, p2, scale)
    window = Window(Kind.RISE, 0.0, WINDOW, p1 + plant.atmosphere, p2 + plant.atmosphere, seen(system), 0.05)
    state = np.array([math.log(air), 0.0, math.log(scale), math.log(plant.elastic), 0.0])
    assert expected_growth(state, window)[0] == pytest.approx(math.log(window.growth), abs=2e-3)
    if scale == 1.0:
        assert plant.charge_gauge(air) == pytest.approx(share * system.charge, rel=1e-6)


ELSEWHERE = (
    "elasticity",
    "gas settles",
    "takes a window's heat",
)  # a state of its own, or each window's doubt
UNKNOWN_TO_IT = ("below or above the tank", "zero error")


@pytest.mark.parametrize("system", SYSTEMS.values(), ids=SYSTEMS)
def test_the_doubt_with_which_the_gauge_starts_is_that_of_the_table(system: System) -> None:
    """A sensor's height and zero are left out of it: see "What is neglected" in DEVELOPERS.md."""
    left = [
        one.charge.standard / (system.charge + ATMOSPHERE)
        for one in worked(system.name).rows
        if one.effect.gauge in OPEN and one.effect.steady
        if not any(words in one.effect.name for words in ELSEWHERE + UNKNOWN_TO_IT)
    ]
    assert told(system).scale_sd == pytest.approx(float(np.linalg.norm(left)), rel=0.15)


def test_the_command_gives_the_same_numbers_in_every_form() -> None:
    run = CliRunner()
    data = json.loads(run.invoke(app, ["neglected", "--case", "home", "--json"]).stdout)
    (home,) = data["systems"]
    tank = next(one for one in home["effects"] if one["effect"].startswith("tank 5 %"))
    expected = 0.05 * ABSOLUTE / 1e3
    assert tank["charge_kpa"] == [pytest.approx(expected, abs=1e-3), pytest.approx(-expected, abs=1e-3)]
    for form in ([], ["--markdown"]):
        said = run.invoke(app, ["neglected", "--case", "home", *form]).stdout
        assert "tank 5 % larger or smaller" in said
        assert "±23.7 (±3.4)" in said
        assert HOME.title in " ".join(said.split())
        assert LOOP.title not in " ".join(said.split())
    everything = run.invoke(app, ["neglected", "--markdown"]).stdout
    assert all(system.title in everything for system in SYSTEMS.values())


def test_two_forms_at_once_are_refused() -> None:
    refused = CliRunner().invoke(app, ["neglected", "--json", "--markdown"])
    assert "exclude each other" in str(refused.exception)
