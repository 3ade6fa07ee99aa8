"""Laws that hold for every liquid that a system is filled with."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.physics.fluids import P_MAX, P_MIN, Fluid, Glycol, glycol, mass_share, water

# A few shares and not any: each new one costs the library's time.
fluids = st.just(0).map(lambda _: water()) | st.builds(
    glycol, st.sampled_from(Glycol), st.sampled_from([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
)
temperatures = st.floats(5.0, 100.0)
pressures = st.floats(P_MIN, P_MAX)
kinds = st.sampled_from(Glycol)


@given(fluids, temperatures, temperatures, temperatures, pressures)
def test_swelling_adds_up(fluid: Fluid, t1: float, t2: float, t3: float, p: float) -> None:
    """Heated in two steps or in one: 1 + s multiplies. Volume is conserved on the way back."""
    parts = (1.0 + fluid.swelling(t1, t2, p)) * (1.0 + fluid.swelling(t2, t3, p))
    assert parts == approx(1.0 + float(fluid.swelling(t1, t3, p)), rel=1e-14)
    assert (1.0 + fluid.swelling(t1, t3, p)) * (1.0 + fluid.swelling(t3, t1, p)) == approx(1.0, rel=1e-14)


@given(fluids, temperatures, st.floats(0.01, 50.0), pressures)
def test_above_the_greatest_density_warmer_is_larger(fluid: Fluid, t: float, rise: float, p: float) -> None:
    assert fluid.expansion_coefficient(t, p) > 0.0
    assert fluid.expansion_per_joule(t, p) > 0.0
    if t + rise <= fluid.t_max:
        assert fluid.swelling(t, t + rise, p) > 0.0


@given(fluids, temperatures, pressures, pressures)
def test_pressure_makes_denser(fluid: Fluid, t: float, p1: float, p2: float) -> None:
    """And by what the compressibility between says: it changes by less than 2 % over the range."""
    low, high = sorted((p1, p2))
    squeezed = np.log(fluid.density(t, high) / fluid.density(t, low))
    expected = float(fluid.compressibility(t, 0.5 * (low + high))) * (high - low)
    assert squeezed == approx(expected, rel=1e-4, abs=1e-12)


@given(fluids, temperatures, temperatures, pressures)
def test_expansion_is_the_slope_of_density(fluid: Fluid, t1: float, t2: float, p: float) -> None:
    """The coefficient summed over the way (101 points, Simpson) is the logarithm of the swelling."""
    t = np.linspace(t1, t2, 101)
    weights = np.ones(101)
    weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
    total = float(weights @ fluid.expansion_coefficient(t, p)) * (t2 - t1) / 300.0
    # 1e-9: density is served to 2e-11, and twice its table's step of 3e-10 in between.
    assert np.log1p(fluid.swelling(t1, t2, p)) == approx(total, abs=1e-9)


@given(kinds, st.floats(0.2, 0.6), st.floats(4.0, 60.0), st.floats(1.0, 40.0))
def test_glycol_swells_more_than_water(kind: Glycol, share: float, t1: float, rise: float) -> None:
    """From a fill between 4 and 60 degC to at most 85; a fifth of glycol and more, as it is used."""
    t2 = min(t1 + rise, 85.0)
    assert glycol(kind, round(share * 50) / 50).swelling(t1, t2) > water().swelling(t1, t2)


@given(kinds, st.lists(st.sampled_from([10, 20, 30, 40, 50, 60]), min_size=2, max_size=2, unique=True))
def test_more_glycol_freezes_later_and_holds_less_heat(kind: Glycol, percents: list[int]) -> None:
    less, more = (glycol(kind, percent / 100) for percent in sorted(percents))
    assert more.freezing < less.freezing < 0.0
    assert more.heat_capacity(20.0) < less.heat_capacity(20.0) < water().heat_capacity(20.0)
    assert more.density(20.0) > less.density(20.0) > water().density(20.0)


@given(fluids, st.lists(st.tuples(temperatures, pressures), min_size=1, max_size=20))
def test_an_array_gives_what_its_numbers_give(fluid: Fluid, states: list[tuple[float, float]]) -> None:
    t, p = np.array(states).T
    for of in (
        fluid.density,
        fluid.expansion_coefficient,
        fluid.heat_capacity,
        fluid.compressibility,
        fluid.expansion_per_joule,
    ):
        many = of(t, p)
        assert many.dtype == np.float64
        assert many.shape == t.shape
        assert np.array_equal(many, [float(of(*state)) for state in states])
        assert of(t[:, None], p[None, :]).shape == (len(t), len(t))
        assert of(np.empty(0)).shape == (0,)


@given(kinds, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_mass_share_rises_with_volume_share(kind: Glycol, one: float, other: float) -> None:
    """Glycol is heavier than water: its share by mass is never below that by volume."""
    low, high = sorted((one, other))
    assert 0.0 <= mass_share(kind, low) <= mass_share(kind, high) * (1.0 + 1e-15)
    assert mass_share(kind, high) <= 1.0
    assert mass_share(kind, high) >= high * (1.0 - 1e-15)
