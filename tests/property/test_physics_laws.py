"""Laws of the cushion and of water that hold for every plant."""

from __future__ import annotations

import math

from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.physics.atmosphere import SEA_LEVEL, pressure_at
from monitor.physics.cushion import compliance, pressure_after, taken_up
from monitor.physics.water import compressibility, density, expansion_coefficient, heat_capacity, swelling
from monitor.units import from_si, to_si

airs = st.floats(1.0, 1e6)  # J: a tenth of a litre at hardly any charge, to a cubic metre at 10 bar
elastics = st.just(0.0) | st.floats(1e-12, 1e-7)
pressures = st.floats(1.2e5, 1.6e6)
shares = st.floats(0.0, 0.95)
charges = st.floats(1e3, 1.6e6)


def growth(air: float, elastic: float, p1: float, share: float) -> float:
    """Return a volume that the cushion can take: a share of its gas, and what the line gives for 5 bar."""
    return share * (air / p1) + share * elastic * 5e5


@given(airs, elastics, pressures, shares, charges)
def test_pressure_after_undoes_taken_up(
    air: float, elastic: float, p1: float, share: float, charge: float
) -> None:
    """Push a volume in, ask what the pressures mean: the volume comes back, on the stop and off it."""
    volume = growth(air, elastic, max(p1, charge), share)
    assume(not (elastic == 0.0 and volume == 0.0))
    p2 = pressure_after(air, elastic, p1, volume, charge)
    assert p2 >= p1 * (1.0 - 1e-12)
    # Digits are lost where the gas hardly changes: 1e-12 of what gas and line hold.
    scale = air / max(p1, charge) + elastic * p2
    assert taken_up(air, elastic, p1, p2, charge) == approx(volume, rel=1e-9, abs=1e-12 * scale)


@given(airs, elastics, pressures, pressures)
def test_taken_up_is_odd_and_adds_up(air: float, elastic: float, p1: float, p2: float) -> None:
    middle = 0.5 * (p1 + p2)
    whole = taken_up(air, elastic, p1, p2)
    scale = 1e-12 * (air / min(p1, p2) + elastic * max(p1, p2))
    assert taken_up(air, elastic, p2, p1) == approx(-whole, abs=scale)
    parts = taken_up(air, elastic, p1, middle) + taken_up(air, elastic, middle, p2)
    assert parts == approx(whole, abs=scale)


@given(airs, elastics, pressures, shares, st.floats(0.0, 1.0), charges)
def test_less_air_never_lowers_the_peak(
    air: float, elastic: float, p1: float, share: float, kept: float, charge: float
) -> None:
    volume = growth(air, elastic, max(p1, charge), share)
    full = pressure_after(air, elastic, p1, volume, charge)
    assert pressure_after(kept * air, elastic, p1, volume, charge) >= full * (1.0 - 1e-12)


@given(st.floats(1e-3, 0.3), elastics, pressures, shares, st.floats(0.05, 1.0), st.floats(0.05, 1.0))
def test_a_tank_that_loses_charge_never_ends_lower(
    vessel: float, elastic: float, p1: float, share: float, high: float, low: float
) -> None:
    """As long as the charge is not above the line, where its loss would free the bladder from its stop."""
    low = low * high
    volume = growth(high * p1 * vessel, elastic, p1, share)
    before, after = (pressure_after(c * p1 * vessel, elastic, p1, volume, c * p1) for c in (high, low))
    assert after >= before * (1.0 - 1e-12)


@given(airs, elastics, pressures, shares, shares, charges)
def test_more_water_never_ends_lower(
    air: float, elastic: float, p1: float, one: float, other: float, charge: float
) -> None:
    less, more = sorted(growth(air, elastic, max(p1, charge), s) for s in (one, other))
    ends = [pressure_after(air, elastic, p1, v, charge) for v in (less, more)]
    assert ends[1] >= ends[0] * (1.0 - 1e-12)


@given(airs, st.floats(1e-12, 1e-7), pressures, st.floats(1.01, 3.0), st.floats(0.0, 0.99))
def test_on_its_stop_a_line_is_as_stiff_as_without_a_tank(
    air: float, elastic: float, p1: float, above: float, share: float
) -> None:
    charge = p1 * above
    volume = share * elastic * (charge - p1)
    alone = pressure_after(0.0, elastic, p1, volume)
    assert pressure_after(air, elastic, p1, volume, charge) == approx(alone, rel=1e-12)


@given(airs, elastics, pressures, shares, st.floats(0.01, 1.0))
def test_a_charge_below_the_line_makes_no_difference(
    air: float, elastic: float, p1: float, share: float, below: float
) -> None:
    volume = growth(air, elastic, p1, share)
    assert pressure_after(air, elastic, p1, volume, below * p1) == pressure_after(air, elastic, p1, volume)


@given(airs, elastics, pressures)
def test_a_small_push_rises_by_the_compliance(air: float, elastic: float, p: float) -> None:
    """1e-5 of the gas: what the curvature adds is of that size."""
    volume = 1e-5 * air / p
    rise = pressure_after(air, elastic, p, volume) - p
    assert rise == approx(volume / compliance(air, elastic, p), rel=1e-4)


@given(
    gallons=st.floats(0.5, 80.0), charge=st.floats(5.0, 100.0), line=st.floats(20.0, 120.0),
    share=st.floats(0.001, 0.8),
)  # fmt: skip
def test_both_unit_systems_agree(gallons: float, charge: float, line: float, share: float) -> None:
    """Boyle's law worked in psi and gallons is that of pascals and cubic metres."""
    outside = from_si(SEA_LEVEL, "psi")
    assume(charge <= line)
    gas = gallons * (charge + outside) / (line + outside)
    by_hand = gas * (line + outside) / (gas - share * gas) - outside
    air = (to_si(charge, "psi") + SEA_LEVEL) * to_si(gallons, "gal", "volume")
    pushed = to_si(share * gas, "gal", "volume")
    p2 = pressure_after(air, 0.0, to_si(line, "psi") + SEA_LEVEL, pushed)
    assert from_si(p2 - SEA_LEVEL, "psi") == approx(by_hand, rel=1e-9)


@given(st.floats(-2000.0, 11_000.0), st.floats(-2000.0, 11_000.0))
def test_pressure_falls_with_altitude(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert pressure_at(low) >= pressure_at(high) > 0.0


temperatures = st.floats(0.0, 100.0)
of_water = st.floats(0.11e6, 2e6)


@given(temperatures, temperatures, temperatures, of_water)
def test_swelling_composes(t1: float, t2: float, t3: float, p: float) -> None:
    """Growth by two steps of heating is growth by both."""
    both = (1.0 + swelling(t1, t2, p)) * (1.0 + swelling(t2, t3, p))
    assert both == approx(1.0 + swelling(t1, t3, p), rel=1e-12)


@given(st.floats(4.5, 100.0), st.floats(4.5, 100.0), of_water, of_water)
def test_water_above_four_degrees_swells_with_heat_and_shrinks_with_pressure(
    t1: float, t2: float, p1: float, p2: float
) -> None:
    cold, warm = sorted((t1, t2))
    low, high = sorted((p1, p2))
    assert density(cold, p1) >= density(warm, p1)
    assert density(cold, high) >= density(cold, low)


@given(temperatures, of_water)
def test_water_is_never_strange(t: float, p: float) -> None:
    """Bounds that no liquid water between 0 and 100 degC leaves."""
    assert 957.0 < density(t, p) < 1001.0
    assert 4170.0 < heat_capacity(t, p) < 4225.0
    assert 4.3e-10 < compressibility(t, p) < 5.2e-10
    assert -7.5e-5 < expansion_coefficient(t, p) < 7.6e-4
    assert math.isfinite(float(density(t, p)))
