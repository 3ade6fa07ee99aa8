"""Cushion and line: gas law between its bounds, balance of volume, valves."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.cushion import GAMMA, KELVIN, Cushion
from simulator.network import VAPOUR, Ledger, Network, Step
from simulator.spec import LineSpec, ReliefSpec, SupplySpec, TankSpec

ATM = 101325.0
WALL = 18.0 + KELVIN
SUPPLY = SupplySpec(cracking=0.0)
LINE = LineSpec(compliance=1e-14)  # all but rigid: 1e-6 of the cushion


def network(
    charge: float = 400e3, start: float = 450e3, tank: TankSpec | None = None, **parts: object
) -> Network:
    """Return a line at ``start`` with a cushion of ``charge`` (both gauge)."""
    cushion = Cushion(tank or TankSpec(volume=0.008), charge + ATM, 18.0)
    line = parts.get("line", LINE)
    relief = parts.get("relief", ReliefSpec())
    assert isinstance(line, LineSpec)
    assert isinstance(relief, ReliefSpec)
    net = Network(SUPPLY, line, relief, cushion, ATM, start + ATM)
    for _ in range(100):  # let the gas take the temperature of the wall, at this pressure
        net.advance(step(net, 60.0, source=start + ATM, passing=1e-8))
    net.books = Ledger()
    return net


def step(net: Network, dt: float, growth: float = 0.0, **more: float) -> Step:
    """Return a step of a line that is shut off from the street."""
    amount = more.pop("amount", net.cushion.amount)
    known = {"draw": 0.0, "source": 0.0, "street": 0.0, "passing": 0.0, "creep": 0.0, "leak": 0.0} | more
    return Step(dt=dt, growth=growth, amount=amount, wall=WALL, **known)


def test_slow_growth_obeys_boyle() -> None:
    """0.05 % in 50 h against a lag of 60 s: nothing is left of the heat of compression."""
    net = network()
    p, gas = net.pressure, net.cushion.volume
    for _ in range(300):
        net.advance(step(net, 600.0, 0.002 / 300))
    assert net.pressure == pytest.approx(p * gas / (gas - 0.002), rel=5e-4)


def test_a_shock_is_adiabatic() -> None:
    net = network()
    p, gas = net.pressure, net.cushion.volume
    net.advance(step(net, 1e-6, 0.001))
    assert net.pressure == pytest.approx(p * (gas / (gas - 0.001)) ** GAMMA, rel=1e-6)


def test_a_recovery_lies_between_the_two_bounds() -> None:
    """1 L in 10 min: stiffer than Boyle, softer than a shock."""
    net = network()
    p, gas = net.pressure, net.cushion.volume
    for _ in range(60):
        net.advance(step(net, 10.0, 0.001 / 60))
    exponent = np.log(net.pressure / p) / np.log(gas / (gas - 0.001))
    assert 1.005 < exponent < 1.2


def test_below_its_precharge_the_tank_takes_nothing() -> None:
    """The line is as stiff as its elastic parts until the bladder leaves its stop."""
    line = LineSpec(compliance=2e-10)
    net = network(charge=400e3, start=300e3, line=line)
    p = net.pressure
    net.advance(step(net, 10.0, 1e-5))
    assert net.pressure - p == pytest.approx(1e-5 / 2e-10, rel=1e-9)
    assert net.cushion.volume == 0.008


def test_a_drowned_tank_is_stiff() -> None:
    """0.1 L that lift a sound line by a few kPa lift a drowned one by hundreds.

    Worked: 6.6 L of gas at 551 kPa give way by 12 mL/kPa; 36 mL of gas and the elastic parts by 0.23.
    """
    line = LineSpec(compliance=1.6e-10)
    sound, drowned = network(line=line), network(charge=2.5e3 - ATM, line=line)
    rises = []
    for net in (sound, drowned):
        p = net.pressure
        net.advance(step(net, 60.0, 1e-4))
        rises.append(net.pressure - p)
    assert rises[0] < 12e3
    assert rises[1] > 300e3


@pytest.mark.parametrize("style", ["saw", "plateau"])
def test_the_relief_valve_caps_the_pressure(style: str) -> None:
    """2 L of growth into a line that can take none; a plateau may lie 10 % above the opening pressure."""
    relief = ReliefSpec(setting=1000e3, tolerance=0.0, style=style)
    net = network(charge=2.5e3 - ATM, line=LineSpec(compliance=1.6e-10), relief=relief)
    opened, highest = False, 0.0
    for _ in range(200):
        opened |= net.advance(step(net, 5.0, 1e-5))
        highest = max(highest, net.pressure - ATM)
    assert opened
    assert highest <= (1000e3 if style == "saw" else 1100e3)
    assert net.books.relief == pytest.approx(0.002, rel=0.1)


def test_a_popping_valve_reseats_below_its_setting() -> None:
    relief = ReliefSpec(setting=1000e3, tolerance=0.0, reseat=0.9, style="saw")
    net = network(start=995e3, relief=relief)
    assert net.advance(step(net, 5.0, 1e-3))
    assert net.pressure - ATM == pytest.approx(900e3)


def test_an_ideal_check_valve_keeps_the_highest_supply() -> None:
    net = network(start=420e3)
    for source in (430e3, 460e3, 410e3):
        for _ in range(20):
            net.advance(step(net, 60.0, source=source + ATM))
    assert net.pressure - ATM == pytest.approx(460e3, rel=1e-4)


def test_a_passing_check_valve_lets_the_growth_away() -> None:
    net = network(start=450e3)
    for _ in range(60):
        net.advance(step(net, 60.0, source=420e3 + ATM, passing=3e-10))
    assert net.pressure - ATM == pytest.approx(420e3, rel=1e-4)


def test_friction_of_the_bladder_makes_a_loop() -> None:
    """Up and down again to the same pressure leaves more water in the tank than before."""
    net = network(tank=TankSpec(volume=0.008, friction=4e3))
    for growth in (5e-4, -5e-4, 5e-4):
        for _ in range(100):
            net.advance(step(net, 60.0, growth / 100))
    up = net.pressure
    for _ in range(200):
        net.advance(step(net, 60.0, 1e-6))
    for _ in range(200):
        net.advance(step(net, 60.0, -1e-6))
    assert up - net.pressure == pytest.approx(8e3, rel=0.05)  # twice the friction


def test_lost_air_is_replaced_by_water_from_the_street() -> None:
    """Air goes at constant pressure; the street fills what it leaves."""
    net = network(start=450e3)
    gas, p = net.cushion.volume, net.pressure
    half = net.cushion.amount / 2
    for _ in range(50):
        net.advance(step(net, 60.0, source=p, amount=half))
    assert net.cushion.volume == pytest.approx(gas / 2, rel=1e-3)
    assert net.books.inflow == pytest.approx(gas / 2, rel=1e-3)


def test_water_that_shrinks_too_far_boils_and_does_not_pull() -> None:
    """Worked: 0.1 L shrink; at 300 kPa gauge the elastic parts give 1.6e-10 m³/Pa back, vapour the rest.

    Growth closes the pocket before the pressure rises again.
    """
    net = network(charge=400e3, start=300e3, line=LineSpec(compliance=1.6e-10))
    pocket = 1e-4 - 1.6e-10 * (net.pressure - VAPOUR)
    net.advance(step(net, 10.0, -1e-4))
    assert net.pressure == VAPOUR
    assert net.vapour == pytest.approx(pocket, rel=1e-9)
    net.advance(step(net, 10.0, pocket / 2))
    assert net.pressure == VAPOUR
    assert net.vapour == pytest.approx(pocket / 2, rel=1e-9)
    net.advance(step(net, 10.0, pocket / 2 + 1e-5))
    assert net.vapour == 0.0
    assert net.pressure - VAPOUR == pytest.approx(1e-5 / 1.6e-10, rel=1e-9)


def test_the_street_fills_a_pocket_of_vapour() -> None:
    """All that shrank has come in once the line is back at its pressure."""
    net = network(charge=400e3, start=300e3, line=LineSpec(compliance=1.6e-10))
    source = net.pressure
    net.advance(step(net, 0.1, -2e-4, source=source))
    assert net.vapour > 0.0
    for _ in range(20):
        net.advance(step(net, 1.0, source=source))
    assert net.vapour == 0.0
    assert net.pressure == pytest.approx(source, rel=1e-6)
    assert net.books.inflow == pytest.approx(2e-4, rel=1e-6)


def test_a_step_is_solved_to_the_volume_even_across_a_kink() -> None:
    """At rest at the street's pressure the way in yields 1e-8 m³/(s Pa), shut it yields nothing.

    A pressure that is right to 0.01 Pa would lose 60 s · 1e-8 m³/(s Pa) · 0.01 Pa = 6e-9 m³ there.
    """
    net = network(charge=2.5e3 - ATM, line=LineSpec(compliance=1.6e-10))
    for growth in (1e-12, -1e-12, 3e-12, -5e-9, 5e-9):
        before, books = net.stored(), Ledger()
        net.books = books
        net.advance(step(net, 60.0, growth, source=net.pressure))
        assert net.stored() - before == pytest.approx(books.inflow + growth, abs=1.1e-13)


def test_tolerance_moves_the_opening_pressure() -> None:
    relief = replace(ReliefSpec(), setting=700e3, tolerance=-0.03)
    assert network(relief=relief).opens - ATM == pytest.approx(679e3)
