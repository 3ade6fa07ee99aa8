"""Laws of the worlds that the table of what is neglected compares."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.physics.atmosphere import SEA_LEVEL
from monitor.sizing.typical import SYSTEMS
from monitor.sizing.world import World, base, growth, inferred, peak, scale_of, shown, window_growth

worlds = st.sampled_from([base(system) for system in SYSTEMS.values()])
shares = st.floats(0.05, 1.0)


@given(world=worlds, share=shares, elastic=st.floats(0.0, 5.0), room=st.floats(0.5, 3.0))
def test_a_gauge_that_believes_what_is_real_finds_the_charge(
    world: World, share: float, elastic: float, room: float
) -> None:
    real = replace(world, line_elastic=elastic * world.line_elastic, tank=room * world.tank)
    charge = share * world.charge
    found = inferred(real, *shown(real, charge)) / real.tank - SEA_LEVEL
    assert found == approx(charge, rel=1e-6, abs=1.0)


@given(world=worlds, low=shares, high=shares)
def test_less_air_never_lowers_the_worst_case_peak(world: World, low: float, high: float) -> None:
    low, high = sorted((low, high))
    peaks = [peak(replace(world, charge=share * world.charge)) for share in (low, high)]
    assert peaks[0] >= peaks[1] * (1.0 - 1e-9)


@given(world=worlds, n=st.floats(1.0, 1.4), more=st.floats(0.0, 1e-9), warm=st.floats(0.0, 10.0))
def test_what_stiffens_raises_the_peak_and_what_gives_lowers_it(
    world: World, n: float, more: float, warm: float
) -> None:
    usual = peak(world)
    assert peak(replace(world, n=(n, 1.0))) >= usual * (1.0 - 1e-9)
    assert peak(replace(world, gas_warms=(warm, 0.0))) >= usual * (1.0 - 1e-9)
    assert peak(replace(world, peak_elastic=more)) <= usual * (1.0 + 1e-9)


@given(world=worlds, change=st.floats(0.7, 1.3))
def test_the_charge_errs_against_the_heat_that_was_not_known(world: World, change: float) -> None:
    real = replace(world, heat=change)
    found = inferred(world, *shown(real, world.charge)) / world.tank - SEA_LEVEL
    assert (found - world.charge) * (change - 1.0) <= 1e-3
    assert (window_growth(real) - window_growth(world)) * (change - 1.0) >= 0.0


@given(world=worlds, cold=st.floats(5.0, 25.0), warmer=st.floats(0.0, 10.0))
def test_a_hotter_recovery_grows_more(world: World, cold: float, warmer: float) -> None:
    real = replace(world, cold=cold)
    assert growth(replace(real, hot=real.hot + warmer)) >= growth(real)


@given(world=worlds, less=st.floats(0.0, 1.0))
def test_walls_that_stay_cooler_leave_more_growth(world: World, less: float) -> None:
    real = replace(world, walls_warm=less)
    assert growth(real) >= growth(world)
    assert window_growth(real) >= window_growth(world)


@given(world=worlds, share=shares, gauged=st.floats(0.5, 2.0))
def test_a_gauge_reading_sets_the_scale_with_which_its_window_returns_it(
    world: World, share: float, gauged: float
) -> None:
    window = shown(world, share * world.charge)
    air = gauged * inferred(world, *window)
    assert inferred(world, *window, scale_of(world, air, *window)) == approx(air, rel=1e-9)
