"""Single cases of sizing: what each rule does where it decides, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.errors import InputError
from monitor.physics.fluids import Glycol, glycol
from monitor.physics.solids import COPPER, PEX, STEEL
from monitor.sizing.case import Case, Code, Method, Part, PresentTank, TankKind, Use
from monitor.sizing.size import size
from monitor.units import PSI, to_si

GAL = to_si(1.0, "gal", "volume")


def fahrenheit(t: float) -> float:
    return to_si(t, "degF", "temperature")


# A 40 gal heater from 50 to 120 degF behind a check valve, line at 50 psi.
HOME = Case(
    Use.DOMESTIC, (Part(40 * GAL, None),), fahrenheit(120), code=Code.US, cold=fahrenheit(50), supply=50 * PSI,
    relief=150 * PSI,
)  # fmt: skip
LOOP = Case(Use.HEATING, (Part(1.0),), 80.0, Method.EN12828, cold=10.0, precharge=100e3, relief=300e3)


def test_home_by_hand() -> None:
    """Growth by densities of the CRC Handbook, .99970 and .98858 g/mL at 10 and 48.9 degC; Boyle on 64.7/94.7 psia."""
    found = size(HOME)
    growth = 40.0 * (0.99970 / 0.98858 - 1.0)
    assert found.expansion / GAL == pytest.approx(growth, rel=0.01)
    assert found.highest == pytest.approx(80 * PSI)  # IPC 607.3: growth stays within 604.8
    assert found.exact / GAL == pytest.approx(growth / (1.0 - 64.696 / 94.696), rel=0.01)
    assert found.advised.volume / GAL == pytest.approx(1.6)
    assert found.advised.precharge == pytest.approx(50 * PSI)


def test_a_reserve_of_half_a_percent_counts_above_600_litres() -> None:
    """EN 12828 annex D: 0.5 % of the content, at least 3 L; 1000 L: 28.72 L grow, 5 L are kept, 78.3 L in all."""
    found = size(LOOP)
    assert found.reserve == pytest.approx(5e-3)
    assert size(replace(LOOP, parts=(Part(0.599),))).reserve == pytest.approx(3e-3)
    assert found.expansion == pytest.approx(28.72e-3, abs=0.01e-3)
    by_hand = (28.72 + 5.0) * (2.5 + 1.01325) / (2.5 - 1.0)
    assert found.exact * 1e3 == pytest.approx(by_hand, rel=1e-3)


def test_a_small_vessel_keeps_a_fifth_of_itself() -> None:
    """EN 12828 annex D allows it up to 15 L; the 3 L that are kept here are never less."""
    found = size(replace(LOOP, parts=(Part(0.03),)))
    assert found.exact < 15e-3
    assert found.reserve >= 0.2 * found.exact


def test_a_loop_is_filled_so_that_its_top_has_half_a_bar() -> None:
    """EN 12828:2012 (second-hand): then the vessel must be larger than growth and reserve alone ask for."""
    low = size(replace(LOOP, precharge=None, height=7.0))
    head = 999.9 * 9.80665 * 7.0  # kg/m³ at 10 °C and 0.5 MPa
    assert low.advised.precharge == pytest.approx(head + 30e3, rel=1e-4)
    assert low.fill is not None
    assert low.fill.low >= head + 50e3 - 10.0
    assert low.fill.high >= low.fill.low
    filled, p0, p2 = head + 50e3 + 101_325, head + 30e3 + 101_325, 351_325
    assert low.exact == pytest.approx(low.expansion / (p0 / filled - p0 / p2), rel=1e-4)


def test_a_vessel_just_large_enough_is_taken_one_step_larger() -> None:
    """79.4 L by calculation would leave 80 L with a filling range of a millibar; 100 L can be filled by gauge."""
    found = size(replace(LOOP, precharge=100e3, parts=(Part(1.01),)))
    assert 78e-3 < found.exact < 80e-3
    assert found.advised.volume == pytest.approx(0.1)
    assert found.fill is not None
    assert found.fill.high - found.fill.low > 10e3


def test_near_boiling_the_steam_pressure_is_added_to_the_head() -> None:
    """Water at 105 degC boils at 120.9 kPa (IAPWS R7-97 saturation line, from memory 120.8): 19.5 kPa over the air."""
    warm, hot = (size(replace(LOOP, precharge=None, height=7.0, relief=4e5, hot=t)) for t in (95.0, 105.0))
    assert hot.advised.precharge - warm.advised.precharge == pytest.approx(19.5e3, abs=300.0)


@pytest.mark.parametrize(
    ("code", "relief", "supply", "highest"),
    [
        (Code.US, 150 * PSI, 50 * PSI, 80 * PSI),  # IPC 607.3, UPC 608.2
        (Code.US, 150 * PSI, 85 * PSI, 80 * PSI),  # behind a reducing valve
        (Code.US, 75 * PSI, 50 * PSI, 67.5 * PSI),
        (Code.EUROPE, 10e5, 4e5, 8e5),  # DIN 4807-5: a fifth under the valve
        (Code.EUROPE, 6e5, 4e5, 4.8e5),
    ],
)
def test_highest_pressure_of_domestic_hot_water(
    code: Code, relief: float, supply: float, highest: float
) -> None:
    case = replace(HOME, code=code, relief=relief, supply=supply)
    assert size(case).highest == pytest.approx(highest)


@pytest.mark.parametrize(("relief", "highest"), [(3e5, 2.5e5), (5e5, 4.5e5), (6e5, 5.4e5), (10e5, 9e5)])
def test_highest_pressure_of_a_loop(relief: float, highest: float) -> None:
    """EN 12828 annex D: 0.5 bar under the valve, 10 % above 5 bar."""
    assert size(replace(LOOP, relief=relief)).highest == pytest.approx(highest)


def test_a_lost_charge_is_told_by_the_floors() -> None:
    """2 gal at a line of 50 psi: Boyle by hand says that 80 psi is passed below 31.5 psi of charge."""
    found = size(replace(HOME, present=PresentTank(2 * GAL, 20 * PSI)))
    assert found.present is not None
    growth = found.expansion / GAL
    by_hand = growth / (1 / 64.696 - 1 / 94.696) / 2.0 - 14.696
    assert found.present.floors.highest / PSI == pytest.approx(by_hand, rel=1e-4)
    assert not found.present.enough
    assert size(replace(HOME, present=PresentTank(2 * GAL, (by_hand + 1) * PSI))).present.enough  # type: ignore[union-attr]


def test_never_smaller_than_the_tank_that_is_there() -> None:
    found = size(replace(HOME, present=PresentTank(4 * GAL)))
    assert found.advised.volume == pytest.approx(4 * GAL)
    assert "smaller-than-present" in [caution.code for caution in found.cautions]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"supply": 85 * PSI}, "supply-above-limit"),
        ({"supply": 60 * PSI, "supply_limit": 55 * PSI}, "supply-above-limit"),
        ({"precharge": 60 * PSI}, "precharge-above-supply"),
        ({"present": PresentTank(4 * GAL, 60 * PSI)}, "precharge-above-supply"),
        ({"present": PresentTank(2 * GAL, 5 * PSI)}, "present-peak-near-relief"),
        ({"present": PresentTank(2 * GAL, 20 * PSI)}, "present-peak-above-highest"),
        ({"highest": 149 * PSI, "present": PresentTank(0.7 * GAL)}, "present-peak-near-relief"),
        ({"highest": 149 * PSI, "parts": (Part(52.0 * GAL, None),)}, "advised-peak-near-relief"),
        ({"relief": 160 * PSI}, "relief-setting-high"),
        ({"hot": 99.5}, "hot-at-valve"),
        ({"hot": 91.0}, "hot-at-valve"),
        ({"supply": 75 * PSI}, "little-room"),
        ({"supply": 69 * PSI}, None),
        ({"highest": 100 * PSI}, "highest-above-limit"),
        ({"highest": 140 * PSI}, "highest-near-relief"),
        ({"relief": None}, "relief-not-given"),
        ({"fit": 1.2 * GAL}, "fit-too-small"),
        ({"fit": 1.3 * GAL, "present": PresentTank(2 * GAL)}, "smaller-than-present"),
        ({"fit": 4 * GAL, "present": PresentTank(2 * GAL)}, None),
        ({"supply": 20 * PSI}, "more-than-half-full"),
        ({}, None),
    ],
)
def test_each_caution_has_its_case(change: dict[str, object], code: str | None) -> None:
    codes = [caution.code for caution in size(replace(HOME, **change)).cautions]  # type: ignore[arg-type]
    assert (code in codes) if code else not codes


def test_a_fill_outside_the_range_is_told_and_not_used() -> None:
    """All figures are for the advised fill: those for a loop that is not filled right would mislead."""
    found = size(replace(LOOP, supply=220e3))
    assert "fill-outside-range" in [caution.code for caution in found.cautions]
    assert found.fill is not None
    assert found.supply == found.advised.cold == found.fill.advised
    assert size(replace(LOOP, supply=found.fill.low + 1e3)).supply == found.fill.low + 1e3


def test_a_line_above_its_limit_is_sized_behind_a_reducing_valve() -> None:
    """80 psi by IPC 604.8: 3/4 of it is 60 psi, just as if the line were at 60; and no cliff at the limit."""
    reduced = size(replace(HOME, supply=60 * PSI))
    for supply in (80 * PSI, 95 * PSI, 150 * PSI):
        found = size(replace(HOME, supply=supply))
        assert found.exact == pytest.approx(reduced.exact)
        assert found.advised.precharge == pytest.approx(60 * PSI)
        (caution,) = [one for one in found.cautions if one.code == "supply-above-limit"]
        assert caution["reduced"] == pytest.approx(60 * PSI)
    near = size(replace(HOME, supply=79 * PSI))
    (caution,) = [one for one in near.cautions if one.code == "little-room"]
    assert caution["exact_reduced"] == pytest.approx(reduced.exact)
    assert near.exact > 10 * reduced.exact


def test_a_tank_that_was_bought_has_figures_of_its_own() -> None:
    for case in (HOME, LOOP):
        exact = size(case).exact
        found = size(replace(case, fit=1.1 * exact))
        assert found.advised.volume == pytest.approx(1.1 * exact)
        assert found.advised.enough
    found = size(replace(LOOP, fit=0.1))
    assert found.fill is not None
    assert found.fill.high != size(replace(LOOP, fit=0.12)).fill.high  # type: ignore[union-attr]


def test_the_present_tank_of_a_loop_is_judged_at_its_own_fill() -> None:
    """A vessel a little above the smallest, rightly charged, is enough, though the next size is advised."""
    exact = size(LOOP).exact
    found = size(replace(LOOP, present=PresentTank(1.02 * exact, 100e3)))
    assert found.present is not None
    assert found.present.enough
    small = size(replace(LOOP, present=PresentTank(0.8 * exact, 100e3))).present
    assert small is not None
    assert not small.enough


def test_a_charge_under_the_head_of_a_loop_is_told() -> None:
    found = size(replace(LOOP, height=12.0, precharge=50e3, relief=4e5))
    assert "charge-below-head" in [caution.code for caution in found.cautions]
    loop = replace(LOOP, method=Method.ASHRAE, supply=100e3, precharge=150e3)
    assert "charge-above-fill" in [caution.code for caution in size(loop).cautions]


def test_plastic_pipe_is_not_counted_on_and_copper_is() -> None:
    """ASHRAE takes the growth of metal off; PEX of the same volume needs the larger tank."""
    of = {m: size(replace(HOME, parts=(Part(0.1, m),))).exact for m in (None, STEEL, COPPER, PEX)}
    assert of[PEX] == of[None] > of[STEEL] > of[COPPER]


def test_glycol_needs_a_larger_vessel() -> None:
    """30 % propylene glycol swells half again as much as water from 10 to 80 degC (factor 1.36 to 1.6)."""
    mixed = size(replace(LOOP, fluid=glycol(Glycol.PROPYLENE, 0.3)))
    assert 1.3 < mixed.expansion / size(LOOP).expansion < 1.6


def test_the_other_method_is_named_beside() -> None:
    assert dict(size(replace(LOOP, supply=130e3)).others) == {
        Method.ASHRAE: pytest.approx(size(replace(LOOP, supply=130e3, method=Method.ASHRAE)).exact)
    }
    assert size(HOME).others == ()


@pytest.mark.parametrize(
    ("case", "said"),
    [
        (replace(HOME, supply=None), "supply pressure is needed"),
        (replace(HOME, hot=5.0), r"hot \(5 °C\) must be above cold \(10 °C\)"),
        (replace(HOME, parts=(Part(0.0),)), "volume of heated water must be above 0"),
        (replace(HOME, parts=()), "volume of heated water must be above 0"),
        (replace(HOME, supply=78 * PSI, relief=75 * PSI), "the growth has no room"),
        (replace(LOOP, height=9.0, supply=50e3), "would stay empty"),
        (
            replace(LOOP, hot=101.0, height=10.0, supply=99e3, precharge=None, method=Method.ASHRAE),
            "boils under .* at the top",
        ),
        (replace(HOME, fit=0.0), "fitted tank must be above 0"),
        (replace(LOOP, fit=4e-3), "does not even hold the water reserve"),
        (replace(HOME, code=Code.EUROPE, relief=None), "relief setting or the highest pressure"),
        (replace(HOME, highest=160 * PSI), "above the relief setting"),
        (replace(HOME, supply=-1.0), "supply pressure must not be negative"),
        (replace(HOME, charge_below=60 * PSI), "would be a vacuum"),
        (replace(LOOP, charge_below=10e3), "for domestic hot water"),
        (replace(HOME, method=Method.EN12828), "for heating loops"),
        (replace(HOME, fluid=glycol(Glycol.PROPYLENE, 0.3)), "no place in domestic hot water"),
        (replace(HOME, tank=TankKind.PLAIN), "sized by the method ashrae"),
        (replace(HOME, present=PresentTank(0.0)), "present tank must be above 0"),
        (replace(LOOP, precharge=None), "static height above it is needed"),
        (replace(LOOP, precharge=None, supply=1e5), "static height above the tank, or the air charge"),
        (replace(LOOP, precharge=None, height=22.0), "the growth has no room"),
        (replace(LOOP, hot=105.0, precharge=5e3, relief=200e3), "boils under"),
        (replace(LOOP, cold=1.0, hot=6.0), "does not grow"),
        (replace(HOME, cold=4.0, hot=5.0, parts=(Part(0.1),)), "shell would grow more than its water"),
    ],
)
def test_what_cannot_be_is_refused_in_words(case: Case, said: str) -> None:
    with pytest.raises(InputError, match=said):
        size(case)
