"""The pressures that a tank works between: cold, air charge, highest; each noted on the worksheet. Gauge Pa."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError
from monitor.physics.atmosphere import pressure_at
from monitor.physics.boiling import saturation_pressure
from monitor.sizing.case import Case, Method, TankKind, Use
from monitor.sizing.ceiling import REDUCED, highest, limit_of, limits_growth, note_limit
from monitor.sizing.worksheet import Kind, Worksheet
from monitor.units import PSI

GRAVITY: Final = 9.80665
"""Standard acceleration of free fall. [m/s²] (NIST SP 811)"""

COLD: Final = 10.0
"""Cold or filling water where nothing is given. [°C]"""

BOILS: Final = 60.0
"""Below this no system that people live with comes near boiling (0.2 bar absolute). [°C]"""

OVER_TOP: Final = 50e3
"""Least pressure at the top of a filled loop. [Pa] (EN 12828:2012, second-hand)"""

_OVER_HEAD: Final = 30e3
_OVER_HEAD_SOURCE: Final = "EN 12828 annex D: 0.3 bar (2003), at least 0.2 bar (2012), second-hand"
_GIVEN: Final = "given"
_REDUCED: Final = (
    "a line above its limit needs a reducing valve; set to 3/4 of it (common practice, no source)"
)
_CHARGE: Final = "air charge, water side relieved"
_EQUAL: Final = {
    Use.DOMESTIC: "charge = line pressure: US weatherization work specification 7.8104.8",
    Use.HEATING: "charge = filling pressure: ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12",
}


@dataclass(frozen=True, slots=True)
class Pressures:
    """What the methods share: air outside [Pa]; cold line or fill, air charge and highest [gauge Pa].

    ``supply`` is None where a method derives the filling pressure from the tank that was chosen; ``head`` is
    the pressure at the tank with which the top of the loop just does not boil, where the height is known.
    """

    outside: float
    supply: float | None
    charge: float
    highest: float
    head: float | None


def cold_of(case: Case) -> float:
    """Return the temperature of cold or filling water. [°C]."""
    return COLD if case.cold is None else case.cold


def pressures(case: Case, method: Method, sheet: Worksheet) -> Pressures:
    """Work out the pressures of ``case``.

    Raises
    ------
    InputError
        If a needed pressure is missing, or nothing is left between cold and highest for the growth.
    """
    outside = sheet.given(
        "Pa", "air pressure outside", float(pressure_at(case.altitude)), Kind.ABSOLUTE, "ISO 2533:1975"
    )
    head = None if case.height is None else _head(case, case.height, sheet)
    steam = 0.0 if head is None or method is not Method.EN12828 else _steam(case, outside, sheet)
    supply = _supply(case, method, head, sheet)
    charge = _charge(case, method, supply, sheet)
    top = highest(case, sheet)
    filled = charge if head is None else max(charge, head + steam + OVER_TOP)
    _check_top(case, filled if supply is None else supply, head or 0.0, outside)
    start = max(charge, charge if supply is None else supply)
    if top <= start:
        raise InputError(
            f"the growth has no room: the tank takes water from {both(start)} on, and it must not pass {both(top)}; "
            "a lower cold pressure (reducing valve), or a relief valve with a higher setting that every part "
            "of the system is rated for, makes room"
        )
    return Pressures(outside, supply, charge, top, None if head is None else head + steam)


def _steam(case: Case, outside: float, sheet: Worksheet) -> float:
    """Return how far the hottest water would boil above the air outside, 0 where it does not. [Pa]."""
    steam = (saturation_pressure(case.hot) if case.hot >= BOILS else 0.0) - outside
    if steam <= 0.0:
        return 0.0
    return sheet.given("pv", "steam pressure of water at the hottest", steam, Kind.GAUGE, "IAPWS R6-95(2018)")


def _check_top(case: Case, cold: float, head: float, outside: float) -> None:
    """Refuse a filling that does not reach the top of a loop, and water that would boil there. [gauge Pa]."""
    if cold < head:
        raise InputError(
            f"the filling pressure {both(cold)} does not lift the water {case.height or 0.0:g} m ({both(head)}): "
            "the top of the loop would stay empty"
        )
    if not case.hot >= BOILS:
        return
    boils, top = saturation_pressure(case.hot), cold - head + outside
    if boils >= top:
        where = "at the top of the loop" if head else "at the tank"
        raise InputError(
            f"water at {case.hot:g} °C boils under {boils / 1e3:.4g} kPa absolute, and cold the pressure {where} is "
            f"{top / 1e3:.4g} kPa absolute: a lower temperature or a higher pressure is needed"
        )


def both(pressure: float) -> str:
    """Return a gauge pressure [Pa] as messages give it, in both unit systems."""
    return f"{pressure / 1e3:.4g} kPa ({pressure / PSI:.4g} psi)"


def _head(case: Case, height: float, sheet: Worksheet) -> float:
    weight = float(case.medium.density(cold_of(case))) * GRAVITY
    sheet.given("h", "static height above the tank", height, Kind.LENGTH, _GIVEN)
    sheet.given("w", "pressure of a column, cold", weight, Kind.HEAD, f"density of {case.medium.name} x g")
    return sheet.work(
        "ps", "static pressure at the tank", "h * w", height * weight, Kind.GAUGE, "hydrostatics", "h w"
    )


def _supply(case: Case, method: Method, head: float | None, sheet: Worksheet) -> float | None:
    if case.supply is not None and limits_growth(case) and case.supply >= limit_of(case):
        limit = note_limit(case, sheet)
        return sheet.work(
            "p1", "line behind a reducing valve", "0.75 * pl", REDUCED * limit, Kind.GAUGE, _REDUCED, "pl"
        )
    if case.supply is not None:
        meaning = "line at rest, cold" if case.use is Use.DOMESTIC else "filling pressure at the tank, cold"
        return sheet.given("p1", meaning, case.supply, Kind.GAUGE, _GIVEN)
    if case.use is Use.DOMESTIC:
        raise InputError("the supply pressure is needed: what a gauge shows at the tank, cold, no tap open")
    if head is None and (method is not Method.EN12828 or case.precharge is None):
        raise InputError("the filling pressure at the tank or the static height above it is needed")
    if method is Method.EN12828 or head is None:
        return None
    over = sheet.given("m", "kept above the static pressure", _OVER_HEAD, Kind.GAUGE, _OVER_HEAD_SOURCE)
    return sheet.work(
        "p1",
        "filling pressure at the tank, cold",
        "ps + m",
        head + over,
        Kind.GAUGE,
        "ASHRAE: the top stays above the air",
        "ps m",
    )


def _charge(case: Case, method: Method, supply: float | None, sheet: Worksheet) -> float:
    if case.tank is TankKind.PLAIN:
        return sheet.given("p0", "air before filling: open to the air", 0.0, Kind.GAUGE, "plain tank")
    if case.precharge is not None:
        return sheet.given("p0", _CHARGE, case.precharge, Kind.GAUGE, _GIVEN)
    if method is Method.EN12828:
        return _charge_over_head(case, sheet)
    if supply is None:
        raise InputError("the air charge or the static height above the tank is needed")
    return _charge_from(supply, case, sheet)


def _charge_over_head(case: Case, sheet: Worksheet) -> float:
    """Return the air charge that keeps the top of a loop above the air, and above boiling."""
    if case.height is None:
        raise InputError("the static height above the tank, or the air charge, is needed by EN 12828")
    named = {step.symbol: step.value for step in sheet.steps}
    value = named["ps"] + sheet.given(
        "m", "kept above the static pressure", _OVER_HEAD, Kind.GAUGE, _OVER_HEAD_SOURCE
    )
    if "pv" not in named:
        return sheet.work("p0", _CHARGE, "ps + m", value, Kind.GAUGE, _OVER_HEAD_SOURCE, "ps m")
    value += named["pv"]
    return sheet.work("p0", _CHARGE, "ps + pv + m", value, Kind.GAUGE, _OVER_HEAD_SOURCE, "ps pv m")


def _charge_from(supply: float, case: Case, sheet: Worksheet) -> float:
    """Return the air charge by the cold line: no water in the tank when cold, and none needed."""
    if case.charge_below == 0.0:
        return sheet.work(
            "p0",
            _CHARGE,
            "p1",
            supply,
            Kind.GAUGE,
            _EQUAL[case.use],
            "p1",
        )
    sheet.given("d", "charge below the line", case.charge_below, Kind.GAUGE, _GIVEN)
    charge = supply - case.charge_below
    if charge < 0.0:
        raise InputError(
            f"an air charge {both(case.charge_below)} below a line at {both(supply)} would be a vacuum"
        )
    return sheet.work(
        "p0",
        _CHARGE,
        "p1 - d",
        charge,
        Kind.GAUGE,
        "DIN 4807-5: under the line by 0.2 bar (from memory)",
        "p1 d",
    )
