"""Laws of walls, gas, valves and heaters that hold for every plant."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given
from hypothesis import strategies as st
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.physics import cushion, cushions, gas, heater, pipes
from monitor.physics.atmosphere import SEA_LEVEL, pressure_at
from monitor.physics.pipes import Ends
from monitor.physics.relief import STANDARDS, ReliefStandard, full_flow, opening_range, reseat
from monitor.physics.solids import MATERIALS, Material, at, shell_growth
from monitor.units import from_si, to_si

materials = st.sampled_from(list(MATERIALS.values()))
ends = st.sampled_from(list(Ends))
bores = st.floats(0.005, 2.0)
walls = st.floats(0.0005, 0.05)
lengths = st.floats(0.1, 500.0)
airs = st.floats(0.0, 1e6)
pressures = st.floats(1.2e5, 1.6e6)
exponents = st.floats(1.0, 1.4)
shares = st.floats(0.0, 0.95)


@given(bores, walls, lengths, materials, ends, st.floats(0.01, 2.0), st.floats(0.01, 1e6), pressures, shares)
def test_what_is_pushed_in_is_found_in_pipe_shell_water_and_cushion(
    bore: float, wall: float, length: float, material: Material, held: Ends, vessel: float, air: float,
    p1: float, share: float,
) -> None:  # fmt: skip
    """No volume is lost or made: each part's own growth adds up to what was pushed in."""
    parts = [
        float(pipes.run_compliance(bore, wall, length, material, held)),
        vessel * cushion.SHELL_COMPLIANCE,
        float(pipes.water_compliance(vessel + float(pipes.inside_volume(bore, length)), 4.6e-10)),
    ]
    volume = share * air / p1 + share * 3e5 * sum(parts)
    p2 = cushion.pressure_after(air, sum(parts), p1, volume)
    grown = [part * (p2 - p1) for part in parts]
    into_gas = float(gas.taken_up(p1, air / p1, p2))
    # Digits are lost where gas or line hardly change against what they hold.
    assert sum(grown) + into_gas == approx(volume, rel=1e-9, abs=1e-12 * (air / p1 + sum(parts) * p2))


@given(bores, walls, materials, ends, st.floats(1.01, 10.0))
def test_a_thicker_or_stiffer_wall_gives_less(
    bore: float, wall: float, material: Material, held: Ends, more: float
) -> None:
    as_is = pipes.wall_compliance(bore, wall, material, held)
    stiffer = replace(material, youngs_modulus=more * material.youngs_modulus)
    assert pipes.wall_compliance(bore, more * wall, material, held) < as_is
    assert pipes.wall_compliance(bore, wall, stiffer, held) == approx(as_is / more, rel=1e-12)


@given(bores, walls, materials)
def test_ends_order_the_girth_and_a_wave_meets_no_more_than_the_volume(
    bore: float, wall: float, material: Material
) -> None:
    """Whatever pulls along the wall keeps it slimmer; a free vessel's volume grows by its length too."""
    free, held, joints = (float(pipes.bore_compliance(bore, wall, material, e)) for e in Ends)
    assert max(free, held) <= joints
    assert pipes.wall_compliance(bore, wall, material, Ends.FREE) >= free
    assert pipes.wall_compliance(bore, wall, material, Ends.HELD) == held


@given(st.floats(200.0, 1e7), materials, ends)
def test_a_thick_wall_goes_over_into_the_thin_one(ratio: float, material: Material, held: Ends) -> None:
    """Their difference falls as wall over bore: less than 3 of it for every material."""
    thick = float(pipes.wall_compliance(ratio, 1.0, material, held))
    thin = float(pipes.thin_wall_compliance(ratio, 1.0, material, held))
    assert abs(thick / thin - 1.0) < 3.0 / ratio


@given(bores, walls, materials, ends, st.floats(1e-3, 1e3))
def test_compliance_knows_no_scale(
    bore: float, wall: float, material: Material, held: Ends, scale: float
) -> None:
    one = pipes.wall_compliance(bore, wall, material, held)
    assert pipes.wall_compliance(scale * bore, scale * wall, material, held) == approx(float(one), rel=1e-9)


@given(bores, walls, materials, ends)
def test_no_pipe_carries_a_wave_faster_than_sound(
    bore: float, wall: float, material: Material, held: Ends
) -> None:
    stretch = pipes.bore_compliance(bore, wall, material, held)
    assert 0.0 < pipes.wave_speed(stretch, 998.2, 4.6e-10) < pipes.wave_speed(0.0, 998.2, 4.6e-10)


@given(st.floats(0.0, 95.0), st.floats(0.0, 95.0), materials)
def test_heat_never_stiffens_or_shrinks_a_wall(one: float, other: float, material: Material) -> None:
    cold, warm = (at(material, t) for t in sorted((one, other)))
    assert warm.youngs_modulus <= cold.youngs_modulus
    assert warm.linear_expansion >= cold.linear_expansion


@given(st.floats(0.0, 10.0), materials, st.floats(0.0, 100.0), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_shell_growth_adds_up(volume: float, material: Material, t1: float, t2: float, t3: float) -> None:
    by_steps = shell_growth(volume, material, t1, t2) + shell_growth(volume, material, t2, t3)
    assert by_steps == approx(float(shell_growth(volume, material, t1, t3)), rel=1e-9, abs=1e-12)


@given(pressures, st.floats(1e-4, 2.0), st.floats(-5.0, 0.95), exponents)
def test_gas_goes_there_and_back(p1: float, v1: float, share: float, n: float) -> None:
    p2 = gas.pressure_after(p1, v1, share * v1, n)
    assert gas.taken_up(p1, v1, p2, n) == approx(share * v1, rel=1e-9, abs=1e-12 * v1)
    assert gas.pressure_after(p2, gas.volume_at(p1, v1, p2, n), -share * v1, n) == approx(p1, rel=1e-9)


@given(pressures, st.floats(1e-4, 2.0), shares, st.floats(0.01, 1.0), exponents)
def test_less_gas_never_lowers_the_peak_whatever_the_exponent(
    p1: float, v1: float, share: float, kept: float, n: float
) -> None:
    volume = share * v1
    assert gas.pressure_after(p1, kept * v1, volume, n) >= gas.pressure_after(p1, v1, volume, n) * (
        1.0 - 1e-12
    )


@given(pressures, st.floats(1e-4, 2.0), shares, exponents, exponents)
def test_a_faster_push_never_ends_lower(p1: float, v1: float, share: float, one: float, other: float) -> None:
    slow, fast = sorted((one, other))
    lower, higher = (gas.pressure_after(p1, v1, share * v1, n) for n in (slow, fast))
    assert higher >= lower * (1.0 - 1e-12)


@given(pressures, st.floats(-40.0, 150.0), st.floats(-40.0, 150.0))
def test_a_sealed_gas_goes_there_and_back(p: float, t1: float, t2: float) -> None:
    there = gas.warmed(p, t1, t2)
    assert gas.warmed(there, t2, t1) == approx(p, rel=1e-12)
    assert (there >= p) == (t2 >= t1) or there == approx(p, rel=1e-12)


@given(
    st.floats(5.0, 100.0),
    st.floats(32.0, 200.0),
    st.floats(32.0, 200.0),
    st.floats(0.5, 80.0),
    shares,
    exponents,
)
def test_both_unit_systems_agree_on_gas(
    psig: float, f1: float, f2: float, gallons: float, share: float, n: float
) -> None:
    """psi, degF and gallons worked as in the trade's books give what Pa, degC and m³ give."""
    outside = from_si(SEA_LEVEL, "psi")
    warm = (psig + outside) * (f2 + 459.67) / (f1 + 459.67) - outside
    t1, t2 = ((f - 32.0) / 1.8 for f in (f1, f2))
    pascal = to_si(psig, "psi")
    assert from_si(float(gas.gauge_warmed(pascal, t1, t2)), "psi") == approx(warm, rel=1e-9, abs=1e-9)
    pressed = (psig + outside) / (1.0 - share) ** n
    volume = to_si(gallons, "gal", "volume")
    after = gas.pressure_after(pascal + SEA_LEVEL, volume, share * volume, n)
    assert from_si(float(after), "psi") == approx(pressed, rel=1e-9)


@given(
    airs,
    st.just(0.0) | st.floats(1e-12, 1e-7),
    pressures,
    st.floats(0.0, 0.1),
    st.floats(0.0, 1.6e6),
    pressures,
)
def test_the_arrays_are_the_scalars(
    air: float, elastic: float, p1: float, volume: float, charge: float, p2: float
) -> None:
    one = cushions.pressure_after([air], elastic, p1, volume, charge)[0]
    assert one == approx(cushion.pressure_after(air, elastic, p1, volume, charge), rel=1e-12)
    assert cushions.taken_up(air, elastic, p1, [p2], charge)[0] == cushion.taken_up(
        air, elastic, p1, p2, charge
    )
    assert cushions.compliance([air], elastic, p1)[0] == cushion.compliance(air, elastic, p1)


@given(st.floats(-2000.0, 11_000.0))
def test_an_altitude_in_an_array_is_the_same_altitude(altitude: float) -> None:
    assert pressure_at([altitude])[0] == approx(pressure_at(altitude), rel=1e-14)


standards = st.sampled_from(list(STANDARDS.values()))


@given(standards, st.floats(0.5e5, 16e5))
def test_a_valve_shuts_below_where_it_opens_and_flows_above(standard: ReliefStandard, setting: float) -> None:
    low, high = opening_range(setting, standard)
    assert 0.0 <= low < setting < high
    assert full_flow(setting, standard) > setting
    assert 0.0 <= reseat(setting, standard) < setting


@given(standards, st.floats(7.0, 230.0))
def test_both_unit_systems_agree_on_valves(standard: ReliefStandard, psi: float) -> None:
    """The same plate in psi and in kPa, which lies as near to it as a plate prints: the same band."""
    pascal = to_si(psi, "psi")
    printed = round(pascal, -2)
    assume(
        all(
            b.knee is None or (pascal <= b.knee) == (printed <= b.knee)
            for b in (standard.early, standard.late)
        )
    )
    assert opening_range(printed, standard)[0] == approx(float(opening_range(pascal, standard)[0]), abs=60.0)


temperatures = st.floats(0.0, 100.0)


@given(temperatures, temperatures, temperatures)
def test_heat_adds_up(t1: float, t2: float, t3: float) -> None:
    """1e-6 of all that is heated from 0 to 100 degC: what five points leave of the bend near 0 degC."""
    by_steps = heater.heat_to_warm(t1, t2) + heater.heat_to_warm(t2, t3)
    assert by_steps == approx(float(heater.heat_to_warm(t1, t3)), rel=1e-9, abs=0.4)


@given(
    st.floats(500.0, 1e6),
    st.floats(0.5, 4.0),
    st.floats(0.0, 45.0),
    st.floats(5.0, 50.0),
    st.floats(0.01, 10.0),
)
def test_recovery_time_and_rate_are_one_balance(
    power: float, efficiency: float, cold: float, rise: float, volume: float
) -> None:
    time = heater.recovery_time(volume, power, efficiency, cold, cold + rise)
    rate = heater.recovery_volume_rate(power, efficiency, cold, cold + rise)
    assert time * rate == approx(volume, rel=1e-12)
    assert heater.recovery_time(volume, 2.0 * power, efficiency, cold, cold + rise) == approx(
        0.5 * time, rel=1e-12
    )


@given(
    st.floats(0.0, 95.0), st.floats(0.0, 40.0), st.floats(0.1, 50.0), st.floats(1e4, 1e7), st.floats(0.0, 1e6)
)
def test_what_a_vessel_loses_is_what_it_cools_by(
    t: float, air: float, ua: float, capacity: float, seconds: float
) -> None:
    """It tends to the room and never passes it, and two waits are one of their sum."""
    after = heater.cooled(t, air, ua, capacity, seconds)
    assert min(t, air) - 1e-9 <= after <= max(t, air) + 1e-9
    in_two = heater.cooled(
        heater.cooled(t, air, ua, capacity, 0.25 * seconds), air, ua, capacity, 0.75 * seconds
    )
    assert in_two == approx(float(after), rel=1e-9, abs=1e-9)
    moment = 1e-4 * capacity / ua
    lost = capacity * (t - heater.cooled(t, air, ua, capacity, moment))
    assert lost == approx(float(heater.standby_loss(ua, t, air)) * moment, rel=1e-4, abs=1e-7 * capacity)
