"""A sizing in words: every caution has a text, and every situation of a tank its own sentences."""

from __future__ import annotations

import ast
import itertools
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import monitor.sizing.cautions
from monitor.cli.sizing_text import text
from monitor.physics.solids import COPPER, PEX
from monitor.sizing.case import Case, Code, Method, Part, PresentTank, TankKind, Use
from monitor.sizing.result import Caution
from monitor.sizing.size import size
from monitor.sizing.worksheet import Kind
from monitor.units import PSI
from monitor.web.sizing.answer import METHODS
from monitor.web.sizing.cautions import TEXTS, caution
from monitor.web.sizing.lines import converted, lines, unit_of, written
from monitor.web.sizing.shown import Shown, figure
from monitor.web.sizing.tank import advised

US, EUROPE = Shown("psi"), Shown("bar")
HOME = Case(
    use=Use.DOMESTIC, parts=(Part(0.15),), hot=60.0, supply=60 * PSI, relief=150 * PSI, code=Code.US
)  # fmt: skip
LOOP = Case(use=Use.HEATING, parts=(Part(0.6),), hot=75.0, height=9.0, relief=300e3)


def told(case: Case, shown: Shown = US, **options: Any) -> str:
    return " ".join(text(size(case), shown, **options).split())


def codes() -> set[str]:
    """Return every code that the core can raise, an f-string's names put in."""
    source = Path(monitor.sizing.cautions.__file__).read_text()
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Caution":
            match node.args[0]:
                case ast.Constant(value=str() as code):
                    found.add(code)
                case ast.JoinedStr() as parts:
                    code = ast.unparse(parts)[2:-1]
                    found |= {re.sub(r"\{.*?\}", name, code) for name in ("advised", "present")}
    return found


def test_every_caution_has_a_text_and_every_text_its_caution() -> None:
    assert len(codes()) >= 18
    assert set(TEXTS) == codes()


NAMED = [
    *("supply", "limit", "precharge", "fill", "low", "high", "peak", "relief"),
    *(
        "highest",
        "exact",
        "present",
        "water",
        "volume",
        "hot",
        "most",
        "reduced",
        "exact_reduced",
        "head",
        "fit",
    ),
]


@pytest.mark.parametrize("code", TEXTS)
@pytest.mark.parametrize("shown", [US, EUROPE])
def test_a_caution_says_what_was_found_and_what_to_do(code: str, shown: Shown) -> None:
    said = caution(Caution(code, tuple((name, 3.0) for name in NAMED)), shown)
    assert said.endswith(".")
    # What to do about the tank that is there hangs on its volume and charge: tested below.
    assert said.count(". ") + said.count(": ") >= 1 or code == "present-peak-above-highest"
    assert re.search(r"\d", said) or code == "relief-not-given"  # the only one without a value
    assert not re.search(r"\b(inf|nan|None)\b", said)


def test_a_supply_above_the_limit_sends_for_a_reducing_valve_and_a_plumber() -> None:
    said = told(replace(HOME, supply=95 * PSI))
    assert (
        "Cautions - Every figure here, air charge and peaks too, holds only behind a pressure reducing"
        in said
    )
    assert (
        "set to 60.0 psi: the line is at 95.0 psi, and its limit, growth included, is 80.0 psi. Have a lic"
        in said
    )
    other = told(replace(HOME, supply=95 * PSI, highest=120 * PSI))
    assert "95.0 psi, above the limit of 80.0 psi: have a licensed plumber fit a pressure reducing" in other


@pytest.mark.parametrize("volume", [1e-3, 6.05e-3])  # no end, and a number that nobody would believe
def test_a_peak_beyond_all_bounds_is_said_in_words(volume: float) -> None:
    said = told(replace(HOME, present=PresentTank(volume, 15 * PSI)))
    assert "the 80.0 psi allowed; the relief valve opens." in said
    assert "more than any system holds in a full recovery without a draw" in said
    assert "inf" not in said.replace("informa", "")


PRESENT = [
    (PresentTank(20e-3, 60 * PSI), "enough: it has 5.28 gal (20 L)", "60.0 psi, as it should be."),
    (
        PresentTank(20e-3, 15 * PSI),
        "but not with its present air charge",
        "15.0 psi where 60.0 psi is right: pump",
    ),
    (PresentTank(20e-3, 65 * PSI), "enough: it has", "65.0 psi where 60.0 psi is right: let air out"),
    (PresentTank(20e-3), "enough: it has", "not given, so the peak is for 60.0 psi"),
    (PresentTank(8e-3, 60 * PSI), "too small: it has 2.11 gal (8 L)", "Replace it, never by a smaller one."),
]


@pytest.mark.parametrize(("present", "verdict", "charge"), PRESENT)
def test_the_tank_that_is_there_is_judged(present: PresentTank, verdict: str, charge: str) -> None:
    said = told(replace(HOME, present=present))
    assert verdict in said
    assert charge in said


REMEDIES = [
    # volume, charge: what the verdict says, what the caution asks for, what it must not ask for
    (8e-3, None, "Verdict too small", "It is too small, whatever its charge: replace it", "until it has"),
    (8e-3, 60.0, "Verdict too small", "It is too small, whatever its charge: replace it", "until it has"),
    (8e-3, 20.0, "Verdict too small", "It is too small, whatever its charge: replace it", "until it has"),
    (20e-3, 15.0, "Verdict large enough", "relieved, pump until it has 60.0 psi.", "replace it by the"),
    (
        20e-3,
        78.0,
        "Verdict large enough",
        "relieved, let air out until it has 60.0 psi.",
        "replace it by the",
    ),
]


@pytest.mark.parametrize(("volume", "charge", "verdict", "remedy", "never"), REMEDIES)
def test_caution_and_verdict_of_the_tank_that_is_there_ask_for_the_same(
    volume: float, charge: float | None, verdict: str, remedy: str, never: str
) -> None:
    said = told(replace(HOME, present=PresentTank(volume, charge and charge * PSI)))
    cautions, _, judged = said.partition("The tank that is there Verdict")
    assert remedy in cautions
    assert verdict in said
    assert never not in cautions
    assert "and pump to that" not in judged or charge is None


def test_a_charge_that_a_gauge_cannot_tell_from_the_right_one_is_still_set_right_where_it_matters() -> None:
    exact = size(HOME).exact
    said = told(replace(HOME, present=PresentTank(exact * 1.0001, 59.5 * PSI)))
    assert "but not with its present air charge" in said
    assert "59.5 psi where 60.0 psi is right: pump" in said


def test_the_tank_of_a_loop_is_judged_at_a_filling_of_its_own() -> None:
    found = size(replace(LOOP, present=PresentTank(60e-3)))
    assert found.present is not None
    said = told(found.case, EUROPE)
    assert f"without a draw, filled to {found.present.cold / 1e5:.2f} bar cold, within the 2.50 bar" in said
    assert "Verdict enough" in said


def test_a_fast_peak_above_the_setting_says_that_the_valve_could_open_then() -> None:
    tight = replace(HOME, fit=11e-3, relief=86 * PSI, highest=80 * PSI)
    peaks = size(tight).advised.peaks
    assert peaks.slow < 86 * PSI < peaks.fast
    assert "the relief valve is set to 86.0 psi and could open then." in told(tight)
    assert "the relief valve is set to 150.0 psi. " in told(HOME)
    assert "the relief valve is set to 86.0 psi and opens. " in told(replace(tight, fit=4e-3))


def test_the_rule_that_decides_the_volume_of_a_loop_is_named_with_what_would_do_without_it() -> None:
    steps = {step.symbol: step.value for step in size(LOOP).steps}
    assert steps["Vc"] > steps["Va"]
    assert (
        f"What decides is 0.50 bar at the top of the filled loop; growth and reserve alone would do with "
        f"{figure(steps['Va'] * 1e3, 3, up=True)} L." in told(LOOP, EUROPE)
    )
    low = replace(LOOP, parts=(Part(0.1),))  # the reserve of 3 L weighs more here
    assert {step.symbol: step.value for step in size(low).steps}["Va"] > 0
    assert "What decides is" not in told(low, EUROPE)


def test_figures_are_for_the_tank_that_was_chosen() -> None:
    said = told(replace(HOME, fit=16e-3))
    least = f"{figure(size(HOME).exact * 1e3 / 3.785411784, 3, up=True)} gal"
    assert f"Tank 4.23 gal (16 L), as chosen; by calculation at least {least}." in said
    assert "take the next larger" not in said
    assert "run again with its volume (--fit)" in told(HOME)
    small = told(replace(HOME, fit=8e-3))
    assert f"The tank of 2.11 gal (8 L) that was chosen is too small: at least {least} are needed." in small
    loop = told(replace(LOOP, fit=40e-3), EUROPE)
    assert "Fill to no pressure suits: this tank keeps enough from" in loop


def test_a_line_that_has_to_be_reduced_is_said_first() -> None:
    said = told(replace(HOME, supply=95 * PSI))
    assert "What to fit First have a licensed plumber fit a pressure reducing valve set to 60.0 psi." in said
    assert "Line 60.0 psi at the tank, behind the reducing valve, cold" in said
    assert "First" not in told(HOME)
    assert "behind the reducing valve" not in told(HOME)


def test_a_site_stands_in_the_title() -> None:
    assert text(size(HOME), US, place="Mill Lane (m-3)").startswith(
        "Expansion tank for domestic hot water: Mill Lane (m-3)\n"
    )
    assert text(size(HOME), US).startswith("Expansion tank for domestic hot water\n")


def test_a_larger_tank_that_is_there_is_not_replaced_by_a_smaller_one() -> None:
    said = told(replace(HOME, present=PresentTank(50e-3)))
    assert "Tank no smaller than the 13.2 gal (50 L) that are there; by calculation at least" in said
    assert "never replace it by a smaller one" in said


def test_floors_are_told_as_far_as_they_can_be_reached() -> None:
    tight = told(HOME)
    assert re.search(
        r"an air charge under [\d.]+ psi: a full recovery then passes 80.0 psi, and under", tight
    )
    ample = told(replace(HOME, parts=(Part(0.01),), present=PresentTank(50e-3)))
    assert (
        "a waterlogged tank only: with any charge on the gauge a full recovery stays under 80.0 psi." in ample
    )
    between = told(replace(HOME, present=PresentTank(45e-3), highest=70 * PSI))
    assert "The relief setting is reached only when the tank is waterlogged." in between
    assert re.search(r"passes 80.0 psi\. ", told(replace(HOME, relief=None)))


def test_a_plain_tank_has_no_charge_and_no_floors_to_talk_of() -> None:
    plain = replace(LOOP, tank=TankKind.PLAIN, method=Method.ASHRAE, supply=120e3)
    said = told(plain, EUROPE)
    assert "Without diaphragm." in said
    for word in ("Air charge", "Watch for", "pump to", "Pump slowly"):
        assert word not in said
    assert "Never plug, cap or shut off a relief valve" in said


def test_what_was_assumed_is_told() -> None:
    said = told(
        replace(LOOP, method=Method.ASHRAE, relief=None, highest=250e3), EUROPE, notes=["By the office."]
    )
    assert "Filling water at 10 °C." in said
    assert "Filling pressure at the tank, 1.18 bar:" in said
    assert (
        "The water gets no hotter than 75 °C. Thermostats overshoot by a few kelvin: give the highest" in said
    )
    assert "By the office." in said
    assert "Pipes of PEX do not grow" in told(replace(HOME, parts=(Part(0.1), Part(0.02, PEX))))
    assert "Highest pressure at the tank, 80.0 psi, stays under the limit of the line. Rule:" in told(HOME)
    assert "stays under the limit of the line" in told(replace(HOME, relief=None))
    assert "2.50 bar, stays under the relief setting. Rule:" in told(LOOP, EUROPE)


def test_a_loop_is_told_how_to_fill_it() -> None:
    found = size(LOOP)
    assert found.fill is not None
    said = told(LOOP, EUROPE)
    low, high, best = (f"{p / 1e5:.2f} bar" for p in (found.fill.low, found.fill.high, found.fill.advised))
    assert f"Fill to {best} at the tank, cold and vented; from {low}, below" in said
    assert f"to {high}, above" in said
    tight = replace(found, fill=replace(found.fill, low=found.fill.high))
    said = " ".join(text(tight, EUROPE).split())
    assert "vented, as closely as a gauge shows it. A larger tank leaves more room." in said
    wide = replace(found, fill=replace(found.fill, high=found.fill.low + 20e3))
    assert "A larger tank leaves more room" not in " ".join(text(wide, EUROPE).split())


def test_a_tank_of_one_series_is_told_in_the_units_of_another_reader_too() -> None:
    assert advised(size(HOME), US) == "3.15 gal"
    assert advised(size(HOME), EUROPE) == "3.15 gal (11.9 L)"
    assert advised(size(replace(LOOP, parts=(Part(0.02),), method=Method.ASHRAE)), US) == "1.25 L (0.33 gal)"


def test_every_method_has_a_name() -> None:
    assert set(METHODS) == set(Method)


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_of_value_has_a_unit_in_both_systems(kind: Kind) -> None:
    for shown in (US, EUROPE):
        assert unit_of(kind, shown) or kind is Kind.RATIO
        assert float(written(123456.7, kind, shown)) == pytest.approx(
            converted(123456.7, kind, shown), rel=1e-2
        )


# 1 lb/ft³ and 1 psi/ft from NIST SP 811 B.8 (16.01846 kg/m³; 6.894757 kPa over 0.3048 m).
@pytest.mark.parametrize(
    ("kind", "si", "us"),
    [
        (Kind.DENSITY, 16.01846, 1.0),
        (Kind.HEAD, 6894.757 / 0.3048, 1.0),
        (Kind.TEMPERATURE, 100.0, 212.0),
        (Kind.DIFFERENCE, 100.0, 180.0),
        (Kind.PER_DEGREE, 1.8e-5, 1e-5),
        (Kind.VOLUME, 3.785412e-3, 1.0),
        (Kind.ABSOLUTE, 6894.757, 1.0),
        (Kind.LENGTH, 0.3048, 1.0),
        (Kind.MASS, 0.4535924, 1.0),
        (Kind.RATIO, 0.5, 0.5),
    ],
)
def test_values_are_converted_as_nist_does(kind: Kind, si: float, us: float) -> None:
    """1e-6: the table prints seven digits."""
    assert converted(si, kind, US) == pytest.approx(us, rel=1e-6)


def test_the_steps_of_a_home_are_those_of_a_hand_calculation() -> None:
    """ISA at sea level 14.696 psi; ASHRAE's 6.5e-6 and 9.5e-6 per °F."""
    case = replace(HOME, cold=10.0, parts=(Part(0.15), Part(0.01, COPPER)))
    found = {line.symbol: line for line in lines(size(case).steps, US)}
    assert found["P1"].numbers == "60 + 14.7"
    assert found["P1"].result == "74.7"
    assert found["P1"].unit == "psi abs"
    assert found["dT"].numbers == "140 - 50"
    assert found["dT"].result == "90"
    assert (found["a_steel"].result, found["a_copper"].result) == ("6.5e-6", "9.5e-6")
    assert found["Ve"].formula == "V1 * (e - 3 * a_steel * dT) + V2 * (e - 3 * a_copper * dT)"


@pytest.mark.parametrize(
    ("value", "up", "expected"), [(2.3001, True, "2.31"), (2.3, True, "2.30"), (0.0, True, "0")]
)
def test_rounding_up_keeps_what_is_exact(value: float, up: bool, expected: str) -> None:
    assert figure(value, 3, up=up) == expected


def test_all_sections_are_within_the_width_of_a_terminal() -> None:
    for case, shown in itertools.product((HOME, LOOP), (US, EUROPE)):
        found = text(size(replace(case, present=PresentTank(8e-3, 1e5))), shown)
        assert max(len(line) for line in found.splitlines()) <= 88
