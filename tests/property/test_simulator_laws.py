"""Laws that hold for any plant and any course of events."""

import math
from itertools import pairwise

from hypothesis import example, given, settings
from hypothesis import strategies as st

from simulator.cushion import KELVIN, Cushion
from simulator.heater import mix
from simulator.network import VAPOUR, Network, Step
from simulator.spec import LineSpec, ReliefSpec, SupplySpec, TankSpec

ATM = 101325.0
charges = st.floats(-98e3, 900e3)
styles = st.sampled_from(["saw", "plateau"])


@st.composite
def steps(draw: st.DrawFn) -> tuple[float, float, float, float, float, float]:
    """Return duration, growth, draw, source, passing and what share of the gas is kept."""
    return (
        draw(st.floats(0.1, 60.0)),
        draw(st.floats(-2e-4, 5e-4)),
        draw(st.sampled_from([0.0, 0.0, 5e-5, 3e-4])),
        draw(st.floats(150e3, 900e3)) + ATM,
        draw(st.sampled_from([0.0, 0.0, 1e-12, 1e-8])),
        draw(st.sampled_from([1.0, 1.0, 0.99, 0.5])),
    )


@given(
    charge=charges, start=st.floats(100e3, 900e3), style=styles, friction=st.sampled_from([0.0, 5e3]),
    trapped=st.sampled_from([0.0, 1e-4]), course=st.lists(steps(), min_size=1, max_size=25),
)  # fmt: skip
@example(  # more shrinks at once than cushion and street can make good
    charge=93311.0, start=100000.0, style="saw", friction=5000.0, trapped=0.0,
    course=[(0.25, -2e-4, 0.0, 251325.0, 0.0, 1.0)],
)  # fmt: skip
@settings(max_examples=150)
def test_water_is_conserved_and_the_relief_valve_caps(
    charge: float, start: float, style: str, friction: float, trapped: float,
    course: list[tuple[float, float, float, float, float, float]],
) -> None:  # fmt: skip
    """The books close; no line is below vapour or, with a popping valve, above its setting.

    25 steps, each solved to 1e-13 m³, are off by 2.5e-12 m³ at most; the rest of 1e-11 m³ is for rounding.
    """
    relief = ReliefSpec(setting=1000e3, tolerance=0.0, style=style)
    cushion = Cushion(TankSpec(volume=0.008, friction=friction), charge + ATM, 18.0)
    line = LineSpec(compliance=1.6e-10, trapped=trapped)
    network = Network(SupplySpec(), line, relief, cushion, ATM, start + ATM)
    before = network.stored()
    for dt, growth, draw, source, passing, kept in course:
        amount = max(cushion.amount * kept, 0.01)
        step = Step(dt, growth, draw, source, source, passing, 0.0, 1e-13, amount, 18.0 + KELVIN)
        network.advance(step)
        assert math.isfinite(network.pressure)
        assert network.pressure >= VAPOUR
        assert network.vapour == 0.0 or (network.vapour > 0.0 and network.pressure == VAPOUR)
        if style == "saw":
            assert network.pressure <= network.opens
    books = network.books
    balance = books.inflow - books.drawn - books.relief - books.leaked + books.growth
    assert abs(network.stored() - before - balance) < 1e-11


@given(st.lists(st.floats(0.0, 95.0), min_size=1, max_size=20))
def test_mixing_conserves_heat_and_orders_layers(layers: list[float]) -> None:
    """Cold below, warm above; what was in order stays as it was."""
    mixed = mix(layers)
    assert math.isclose(sum(mixed), sum(layers), rel_tol=1e-12, abs_tol=1e-12)
    assert all(a <= b + 1e-9 for a, b in pairwise(mixed))
    if layers == sorted(layers):
        assert mixed == layers
