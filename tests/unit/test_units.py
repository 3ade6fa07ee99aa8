"""Factors against NIST SP 811 (2008), appendix B.8, and the ways in which a quantity can be written wrong."""

from __future__ import annotations

import time
from collections.abc import Callable
from fractions import Fraction

import pytest

from monitor.errors import InputError
from monitor.units import KINDS, from_si, parse, to_si

# As printed in NIST SP 811 (2008), B.8 "Factors for units listed alphabetically", seven digits.
SP_811_B8 = [
    ("1 psi", "pressure", "6.894757e+03"),
    ("1 bar", "pressure", "1.000000e+05"),
    ("1 mbar", "pressure", "1.000000e+02"),
    ("1 gal", "volume", "3.785412e-03"),
    ("1 L", "volume", "1.000000e-03"),
    ("1 Btu/h", "power", "2.930711e-01"),
    ("1 ft", "length", "3.048000e-01"),
    ("1 lb", "mass", "4.535924e-01"),
    ("1 min", "duration", "6.000000e+01"),
    ("1 h", "duration", "3.600000e+03"),
    ("1 d", "duration", "8.640000e+04"),
]


@pytest.mark.parametrize(("text", "kind", "printed"), SP_811_B8)
def test_factor_is_the_one_that_nist_prints(text: str, kind: str, printed: str) -> None:
    assert f"{parse(text, kind):.6e}" == printed


# Exact by definition (SP 811, B.8 and its footnotes): pound-force 4.448 221 615 260 5 N, inch 0.0254 m,
# gallon 231 cubic inches, International Table Btu 1055.055 852 62 J.
INCH = Fraction("0.0254")
EXACT = [
    ("1 psi", "pressure", Fraction("4.4482216152605") / INCH**2),
    ("1 gal", "volume", 231 * INCH**3),
    ("1 Btu/h", "power", Fraction("1055.05585262") / 3600),
    ("1 ft", "length", 12 * INCH),
    ("1 lb", "mass", Fraction("0.45359237")),
    ("30 %", "share", Fraction("0.3")),
]


@pytest.mark.parametrize(("text", "kind", "exact"), EXACT)
def test_factor_is_exact_by_definition(text: str, kind: str, exact: Fraction) -> None:
    """One part in 10^14: the Btu/h is written with 14 digits, the others to the last bit."""
    assert parse(text, kind) == pytest.approx(float(exact), rel=1e-14)


# Fixed points of SP 811 B.8: t/degC = (t/degF - 32)/1.8; -40 is where both scales meet.
@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (98.6, 37.0)]
)
@pytest.mark.parametrize("unit", ["degF", "°F"])
def test_fahrenheit_fixed_points(fahrenheit: float, celsius: float, unit: str) -> None:
    """1e-12 K: rounding of three double operations near 100."""
    assert parse(f"{fahrenheit} {unit}", "temperature") == pytest.approx(celsius, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("60psi", "pressure", 60 * 6894.757293168361),
        ("  1.5\tbar ", "pressure", 1.5e5),
        ("+.5 MPa", "pressure", 5e5),
        ("-3. degC", "temperature", -3.0),
        ("2e2 kPa", "pressure", 2e5),
        ("0.05 m3", "volume", 0.05),
        ("54 °C", "temperature", 54.0),
        ("150 l", "volume", 0.15),
        ("5 ml", "volume", 5e-6),
    ],
)
def test_ways_to_write_a_quantity(text: str, kind: str, si: float) -> None:
    assert parse(text, kind) == pytest.approx(si, rel=1e-15)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("text", ["60 furlong", "60 PSI", "60 bars"])
def test_unknown_unit_names_the_unit_and_all_that_are_allowed(text: str, kind: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text, kind)
    message = str(caught.value)
    assert repr(text.split()[1]) in message
    assert message.endswith(f"not known for a {kind}: allowed are {', '.join(KINDS[kind])}")


@pytest.mark.parametrize(
    "text",
    [
        "60",
        "",
        "psi",
        "6 0 psi",
        "1,5 bar",
        "1.5.2 bar",
        "--5 bar",
        "nan psi",
        "NaN",
        "inf bar",
        "0x10 bar",
        "٦٠ psi",
    ],
)
def test_what_is_no_quantity_is_shown_with_an_example(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text, "pressure")
    assert str(caught.value).startswith(f"{text!r} is no pressure: write a number and a unit, like")
    assert '"1.5 psi"' in str(caught.value)


@pytest.mark.parametrize("value", [60, 60.0, True, None, ["60 psi"], {"value": 60}])
def test_a_value_without_quotes_is_told_to_use_them(value: object) -> None:
    with pytest.raises(InputError, match="write a number and a unit in quotes") as caught:
        parse(value, "pressure")
    assert str(caught.value).startswith(repr(value))


@pytest.mark.parametrize("text", ["1e400 bar", "-1e400 bar", "1e308 MPa", "9" * 400 + " kPa"])
def test_more_than_a_float_holds_is_too_large(text: str) -> None:
    with pytest.raises(InputError, match="is too large for a pressure"):
        parse(text, "pressure")


@pytest.mark.parametrize("tail", ["", " bar", " " + "x" * 200_000])
def test_a_huge_value_is_refused_at_once_and_not_repeated_in_full(tail: str) -> None:
    """200 000 digits without a unit once took time by the square of their number: over 20 minutes."""
    start = time.process_time()
    with pytest.raises(InputError) as caught:
        parse("9" * 200_000 + tail, "pressure")
    assert time.process_time() - start < 1.0
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize("convert", [to_si, from_si])
def test_conversion_refuses_a_unit_of_another_kind(convert: Callable[[float, str, str], float]) -> None:
    with pytest.raises(InputError, match="unit 'psi' is not known for a volume: allowed are L, mL, m3, gal"):
        convert(1.0, "psi", "volume")


def test_conversion_is_of_pressure_unless_told() -> None:
    assert to_si(2.0, "bar") == 2e5
    assert from_si(2e5, "bar") == 2.0
