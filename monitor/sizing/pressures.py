"""The pressures that a tank works between: cold, air charge, highest; each noted on the worksheet. Gauge Pa."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError
from monitor.physics.atmosphere import pressure_at
from monitor.sizing.case import Case, Code, Method, TankKind, Use
from monitor.sizing.worksheet import Kind, Worksheet
from monitor.units import PSI

GRAVITY: Final = 9.80665
"""Standard acceleration of free fall. [m/s²] (NIST SP 811)"""

LIMITS: Final = {Code.US: 80.0 * PSI, Code.EUROPE: 500e3}
"""Line pressure above which a reducing valve is required [gauge Pa]: IPC 604.8, UPC 608.2; EN 806-2, 16.1."""

COLD: Final = 10.0
"""Cold or filling water where nothing is given. [°C]"""

_OVER_HEAD: Final = 30e3
_UNDER_RELIEF: Final = 50e3
_SHARE_UNDER_RELIEF: Final = 0.1
_GIVEN: Final = "given"


@dataclass(frozen=True, slots=True)
class Pressures:
    """What the methods share: air outside [Pa]; cold line or fill, air charge and highest [gauge Pa].

    ``supply`` is None where a method derives the filling pressure from the tank that was chosen.
    """

    outside: float
    supply: float | None
    charge: float
    highest: float


def limit_of(case: Case) -> float:
    """Return the line pressure [gauge Pa] above which ``case`` needs a reducing valve."""
    return LIMITS[case.code] if case.supply_limit is None else case.supply_limit


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
    supply = _supply(case, method, head, sheet)
    charge = _charge(case, method, supply, sheet)
    highest = _highest(case, supply, sheet)
    start = max(charge, charge if supply is None else supply)
    if highest <= start:
        raise InputError(
            f"the growth has no room: cold the tank is at {both(start)} and it must not pass {both(highest)}; "
            "a lower cold pressure (reducing valve), or a relief valve with a higher setting that every part "
            "of the system is rated for, makes room"
        )
    return Pressures(outside, supply, charge, highest)


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
    if case.supply is not None:
        meaning = "line at rest, cold" if case.use is Use.DOMESTIC else "filling pressure at the tank, cold"
        return sheet.given("p1", meaning, case.supply, Kind.GAUGE, _GIVEN)
    if case.use is Use.DOMESTIC:
        raise InputError("the supply pressure is needed: what a gauge shows at the tank, cold, no tap open")
    if head is None and (method is not Method.EN12828 or case.precharge is None):
        raise InputError("the filling pressure at the tank or the static height above it is needed")
    if method is Method.EN12828 or head is None:
        return None
    over = sheet.given(
        "m", "kept above the static pressure", _OVER_HEAD, Kind.GAUGE, "EN 12828:2012, annex D"
    )
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
        return sheet.given("p0", "air charge, water side relieved", case.precharge, Kind.GAUGE, _GIVEN)
    if method is Method.EN12828 and case.height is not None:
        head = next(step.value for step in sheet.steps if step.symbol == "ps")
        sheet.given("m", "kept above the static pressure", _OVER_HEAD, Kind.GAUGE, "EN 12828:2012, annex D")
        return sheet.work(
            "p0",
            "air charge, water side relieved",
            "ps + m",
            head + _OVER_HEAD,
            Kind.GAUGE,
            "EN 12828:2012, annex D",
            "ps m",
        )
    if supply is None:
        raise InputError("the air charge or the static height above the tank is needed")
    return _charge_from(supply, case, sheet)


def _charge_from(supply: float, case: Case, sheet: Worksheet) -> float:
    """Return the air charge by the cold line: no water in the tank when cold, and none needed."""
    if case.charge_below == 0.0:
        return sheet.work(
            "p0",
            "air charge, water side relieved",
            "p1",
            supply,
            Kind.GAUGE,
            "charge = line pressure: US weatherization work specification 7.8104.8",
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
        "air charge, water side relieved",
        "p1 - d",
        charge,
        Kind.GAUGE,
        "DIN 4807-5: under the line by 0.2 bar (from memory)",
        "p1 d",
    )


def _highest(case: Case, supply: float | None, sheet: Worksheet) -> float:
    if case.highest is not None:
        return sheet.given("p2", "highest pressure at the tank", case.highest, Kind.GAUGE, _GIVEN)
    limit = LIMITS[Code.US] if case.use is Use.DOMESTIC and case.code is Code.US else None
    if limit is not None and case.supply_limit is not None:
        limit = case.supply_limit
    if limit is not None and supply is not None and supply >= limit:
        limit = None  # the line alone breaks it: a caution says so
    if case.relief is None:
        if limit is None:
            raise InputError("the relief setting or the highest pressure allowed at the tank is needed")
        return sheet.given(
            "p2", "highest pressure at the tank", limit, Kind.GAUGE, "IPC 604.8 and 607.3, UPC 608.2"
        )
    return _under_relief(case.relief, limit, sheet)


def _under_relief(relief: float, limit: float | None, sheet: Worksheet) -> float:
    sheet.given("pr", "relief valve setting", relief, Kind.GAUGE, _GIVEN)
    sheet.given("k", "kept under the setting, at least", _UNDER_RELIEF, Kind.GAUGE, "EN 12828:2012, annex D")
    under = relief - max(_UNDER_RELIEF, _SHARE_UNDER_RELIEF * relief)
    source = "0.5 bar, or 10 % above 5 bar: EN 12828:2012, annex D (from memory)"
    if limit is None:
        return sheet.work(
            "p2", "highest pressure at the tank", "pr - max(k, pr / 10)", under, Kind.GAUGE, source, "pr k"
        )
    sheet.given(
        "pl", "limit for the line, growth included", limit, Kind.GAUGE, "IPC 604.8 and 607.3, UPC 608.2"
    )
    return sheet.work(
        "p2",
        "highest pressure at the tank",
        "min(pl, pr - max(k, pr / 10))",
        min(limit, under),
        Kind.GAUGE,
        f"code limit; {source}",
        "pl pr k",
    )
