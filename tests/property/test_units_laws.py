"""Laws of the conversions: there and back, text and number agree, order is kept."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.units import KINDS, from_si, parse, to_si

UNITS = st.sampled_from([(unit, kind) for kind, units in KINDS.items() for unit in units])
VALUES = st.floats(-1e9, 1e9)


@given(VALUES, UNITS)
def test_there_and_back_gives_the_same_value(value: float, of: tuple[str, str]) -> None:
    """A few units in the last place; near 0 degF the offset of 18 K leaves an absolute rest of that size."""
    assert from_si(to_si(value, *of), *of) == pytest.approx(value, rel=1e-14, abs=1e-13)


@given(VALUES, UNITS)
def test_written_and_converted_agree(value: float, of: tuple[str, str]) -> None:
    unit, kind = of
    assert parse(f"{value!r} {unit}", kind) == to_si(value, unit, kind)


@given(VALUES, VALUES, UNITS)
def test_order_is_kept(one: float, other: float, of: tuple[str, str]) -> None:
    low, high = sorted((one, other))
    assert to_si(low, *of) <= to_si(high, *of)


@given(st.text() | st.integers() | st.none() | st.lists(st.text()), st.sampled_from(list(KINDS)))
def test_anything_is_either_a_quantity_or_one_clear_refusal(value: object, kind: str) -> None:
    refusal = ""
    try:
        number = parse(value, kind)
    except InputError as exc:
        refusal = str(exc)
    if refusal:
        assert kind in refusal
        assert all(unit in refusal for unit in KINDS[kind])
    else:
        assert isinstance(value, str)
        assert math.isfinite(number)
