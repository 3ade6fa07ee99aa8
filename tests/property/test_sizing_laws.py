"""Laws that hold for every tank that is sized, whatever the method."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Mapping
from dataclasses import replace

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pytest import approx  # noqa: PT013 - reads as a relation

from monitor.errors import CushionwatchError, InputError
from monitor.physics.atmosphere import pressure_at
from monitor.physics.boiling import saturation_pressure
from monitor.physics.fluids import Glycol, glycol
from monitor.physics.solids import COPPER, PEX, STEEL
from monitor.sizing.case import Case, Code, Method, Part, PresentTank, TankKind, Use
from monitor.sizing.result import Sizing
from monitor.sizing.series import R10, next_larger
from monitor.sizing.size import size
from monitor.sizing.worksheet import Kind
from monitor.units import from_si, to_si

volumes = st.floats(5e-3, 20.0)
colds = st.floats(2.0, 25.0)
hots = st.floats(35.0, 99.0)
lines = st.floats(50e3, 700e3)
rooms = st.floats(30e3, 900e3)
altitudes = st.floats(0.0, 3000.0)
materials = st.sampled_from([None, STEEL, COPPER, PEX])
parts = st.lists(st.builds(Part, volumes, materials), min_size=1, max_size=3).map(tuple)


@st.composite
def domestic(draw: st.DrawFn) -> Case:
    line = draw(lines)
    return Case(
        Use.DOMESTIC, draw(parts), draw(hots), code=draw(st.sampled_from(Code)), cold=draw(colds), supply=line,
        highest=line + draw(rooms), altitude=draw(altitudes), charge_below=draw(st.just(0.0) | st.floats(0.0, 4e4)),
    )  # fmt: skip


@st.composite
def heating(draw: st.DrawFn) -> Case:
    fluid = draw(st.none() | st.builds(glycol, st.sampled_from(Glycol), st.sampled_from([0.2, 0.35, 0.5])))
    method = draw(st.sampled_from([Method.ASHRAE, Method.EN12828]))
    height = draw(st.floats(0.0, 40.0))
    relief = 10.0 * height * 1e3 + 90e3 + draw(rooms)
    plain = method is Method.ASHRAE and draw(st.booleans())
    return Case(
        Use.HEATING, draw(parts), draw(hots), method, fluid=fluid, cold=draw(colds), height=height,
        relief=relief, altitude=draw(altitudes), tank=TankKind.PLAIN if plain else TankKind.DIAPHRAGM,
    )  # fmt: skip


cases = domestic() | heating()


def sized(case: Case) -> Sizing:
    """Size it; a case that leaves no room tells nothing here."""
    try:
        return size(case)
    except InputError as error:
        assume("room" not in str(error))
        raise


@given(cases)
def test_the_smallest_tank_takes_the_growth_and_no_more(case: Case) -> None:
    """Volume is kept: cold air less hot air is the growth, by Boyle's law worked here from nothing but P V."""
    found = sized(case)
    outside = float(pressure_at(case.altitude))
    p2 = found.highest + outside
    p0 = found.advised.precharge + outside
    gas_hot = p0 * found.exact / p2
    if found.fill is not None:
        check_loop(case, found, p0, gas_hot)
        return
    gas_cold = p0 * found.exact / max(p0, found.supply + outside)
    assert gas_cold - gas_hot == approx(found.expansion, rel=1e-9)


def check_loop(case: Case, found: Sizing, p0: float, gas_hot: float) -> None:
    """A loop's vessel holds growth and reserve, and growth from a filling with 0.5 bar at the top of the loop."""
    outside = float(pressure_at(case.altitude))
    spare = [found.exact - gas_hot - found.expansion - found.reserve]
    if case.height is not None:
        weight = float(case.medium.density(case.cold)) * 9.80665
        steam = max(saturation_pressure(case.hot) - outside, 0.0)
        filled = max(weight * case.height + 50e3 + steam + outside, p0)
        spare.append(p0 * found.exact / filled - gas_hot - found.expansion)
    assert min(spare) == approx(0.0, abs=1e-9 * found.exact)


@given(cases)
def test_the_advised_tank_keeps_the_peak_under_the_highest_pressure(case: Case) -> None:
    found = sized(case)
    assert found.advised.volume >= found.exact * (1.0 - 1e-9)
    assert found.advised.peaks.slow <= found.highest * (1.0 + 1e-9) + 1.0
    assert found.advised.peaks.fast >= found.advised.peaks.slow - 1.0
    assert found.advised.enough


@given(cases, st.floats(0.05, 1.0), st.floats(0.05, 1.0))
def test_less_air_never_lowers_the_worst_case_peak(case: Case, one: float, other: float) -> None:
    """The same tank with a lower charge, as long as that is not above the line."""
    found = sized(case)
    outside = float(pressure_at(case.altitude))
    assume(found.advised.precharge <= found.supply)
    less, more = sorted((one, other))
    peaks = []
    for share in (less, more):
        charge = max(share * (found.advised.precharge + outside) - outside, 0.0)
        tank = PresentTank(found.advised.volume, charge)
        peaks.append(size(replace(case, present=tank)).present)
    assert peaks[0] is not None
    assert peaks[1] is not None
    assert peaks[0].peaks.slow >= peaks[1].peaks.slow * (1.0 - 1e-9) - 1.0
    assert peaks[0].acceptance <= peaks[1].acceptance * (1.0 + 1e-9)


@given(cases, st.floats(0.1, 10.0))
def test_twice_the_water_needs_twice_the_tank(case: Case, times: float) -> None:
    """Growth and tank go with the water, but for a least reserve of litres."""
    found = sized(case)
    more = sized(replace(case, parts=tuple(replace(part, volume=times * part.volume) for part in case.parts)))
    assert more.expansion == approx(times * found.expansion, rel=1e-9, abs=1e-15)
    if found.method is not Method.EN12828:
        assert more.exact == approx(times * found.exact, rel=1e-9, abs=1e-15)


@given(cases, st.floats(0.1, 30.0))
def test_hotter_water_or_a_lower_ceiling_never_needs_a_smaller_tank(case: Case, kelvin: float) -> None:
    found = sized(case)
    assume(case.hot + kelvin <= 100.0)
    assert sized(replace(case, hot=case.hot + kelvin)).exact >= found.exact * (1.0 - 1e-9)
    lower = found.highest - 0.5 * (found.highest - max(found.supply, found.advised.precharge))
    assume(lower > found.advised.precharge + 1.0)
    assume(found.expansion >= 0.0)
    assert size(replace(case, highest=lower)).exact >= found.exact * (1.0 - 1e-9)


@given(cases)
def test_at_the_floor_the_peak_is_the_highest_pressure(case: Case) -> None:
    """The charge below which the advised tank lets the peak pass: put into the tank, the peak is just there."""
    found = sized(case)
    floor = found.advised.floors.highest
    assume(0.0 <= floor <= found.supply)
    again = size(replace(case, present=PresentTank(found.advised.volume, floor))).present
    assert again is not None
    # The fill of a loop follows the tank; its floor holds for the fill that was advised.
    if found.fill is None:
        assert again.peaks.slow == approx(found.highest, rel=1e-6, abs=1.0)


@given(heating())
def test_fill_range_keeps_reserve_and_ceiling(case: Case) -> None:
    found = sized(replace(case, method=Method.EN12828, tank=TankKind.DIAPHRAGM))
    fill = found.fill
    assert fill is not None
    outside = float(pressure_at(case.altitude))
    p0, volume = found.advised.precharge + outside, found.advised.volume
    assert fill.low <= fill.advised <= fill.high * (1.0 + 1e-9)
    assert volume - p0 * volume / (fill.low + outside) >= found.reserve * (1.0 - 1e-6)
    gas_hot = p0 * volume / (fill.high + outside) - found.expansion
    assert p0 * volume / gas_hot - outside == approx(found.highest, rel=1e-6)


@given(st.floats(1e-6, 1e9))
def test_a_preferred_number_is_the_next_and_not_one_too_far(value: float) -> None:
    chosen = next_larger(value)
    assert chosen >= value * (1.0 - 1e-9)
    assert chosen / value <= 1.2851  # widest step of R 10: 6.3 to 8 is 1.27, 1.25 to 1.6 is 1.28
    mantissa = chosen / 10.0 ** math.floor(math.log10(chosen * (1 + 1e-12)))
    assert any(mantissa == approx(number, rel=1e-9) for number in (*R10, 10.0))
    assert next_larger(chosen) == approx(chosen, rel=1e-12)


_PLACES: Mapping[Kind, tuple[str, str] | None] = {
    Kind.GAUGE: ("psi", "pressure"), Kind.ABSOLUTE: ("psi", "pressure"), Kind.VOLUME: ("gal", "volume"),
    Kind.LENGTH: ("ft", "length"),
}  # fmt: skip


def shown(value: float, kind: Kind) -> float:
    """Return the value in inch-pound units."""
    if kind is Kind.DIFFERENCE:
        return value * 1.8
    if kind is Kind.PER_DEGREE:
        return value / 1.8
    if kind is Kind.TEMPERATURE:
        return from_si(value, "degF", "temperature")
    if kind is Kind.HEAD:
        return from_si(value, "psi") * to_si(1.0, "ft", "length")
    place = _PLACES.get(kind)
    return value if place is None else from_si(value, *place)


_SIGNS = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}


def worked(formula: str, names: Mapping[str, float]) -> float:
    """Work a formula out with nothing but arithmetic, max and min."""

    def of(node: ast.expr) -> float:
        if isinstance(node, ast.Constant):
            return float(node.value)  # type: ignore[arg-type]
        if isinstance(node, ast.Name):
            return names[node.id]
        if isinstance(node, ast.BinOp):
            return float(_SIGNS[type(node.op)](of(node.left), of(node.right)))
        assert isinstance(node, ast.Call)
        assert isinstance(node.func, ast.Name)
        return {"max": max, "min": min}[node.func.id](*map(of, node.args))

    return of(ast.parse(formula, mode="eval").body)


@given(cases)
def test_every_step_works_out_in_si_and_in_inch_pound_units(case: Case) -> None:
    """An engineer checks with a pocket calculator, in the units in front of him: each line must come out."""
    for step in sized(case).steps:
        if step.formula is None:
            assert not step.operands
            continue
        si = {one.symbol: one.value for one in step.operands}
        assert worked(step.formula, si) == approx(step.value, rel=1e-9, abs=1e-12)
        american = {one.symbol: shown(one.value, one.kind) for one in step.operands}
        result = shown(step.value, step.kind)
        assert worked(step.formula, american) == approx(result, rel=1e-9, abs=1e-11)
        assert step.source


@given(cases)
def test_a_symbol_means_one_thing_and_the_last_step_is_the_tank(case: Case) -> None:
    steps = sized(case).steps
    symbols = [step.symbol for step in steps[:-1]]
    assert len(set(symbols)) == len(symbols)
    assert steps[-1].symbol == "Vt"


numbers = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, -1.0, 1e-300, 1e300])


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_any_numbers_give_a_size_or_one_of_our_errors(data: st.DataObject) -> None:
    """Whatever is put in: finite volumes, or a message."""
    maybe = st.none() | numbers
    case = Case(
        use=data.draw(st.sampled_from(Use)), parts=(Part(data.draw(numbers | volumes)),), hot=data.draw(numbers | hots),
        method=data.draw(st.none() | st.sampled_from(Method)), code=data.draw(st.sampled_from(Code)),
        tank=data.draw(st.sampled_from(TankKind)), cold=data.draw(maybe), supply=data.draw(maybe | lines),
        height=data.draw(maybe | st.floats(0, 50)), precharge=data.draw(maybe | lines),
        charge_below=data.draw(st.just(0.0) | numbers), relief=data.draw(maybe | st.just(1e6)),
        highest=data.draw(maybe | st.just(9e5)), altitude=data.draw(st.just(0.0) | numbers),
        present=data.draw(st.none() | st.builds(PresentTank, numbers, maybe)), tank_mass=data.draw(maybe),
    )  # fmt: skip
    try:
        found = size(case)
    except CushionwatchError:
        pass  # a message; any other exception fails
    else:
        for value in (
            found.expansion,
            found.exact,
            found.needed,
            found.advised.volume,
            found.weight.waterlogged,
        ):
            assert math.isfinite(value)
            assert value >= 0.0
