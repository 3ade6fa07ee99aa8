"""Smallest tank by each method. All rest on Boyle's law; they differ in charge, reserve and margins.

A tank charged to P0 (absolute) takes ``Vt (P0/P1 - P0/P2)`` of water while the pressure goes from P1 to P2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError
from monitor.sizing.case import Case, Method, TankKind
from monitor.sizing.growth import expansion
from monitor.sizing.pressures import Pressures, pressures
from monitor.sizing.result import Fill
from monitor.sizing.worksheet import Kind, Worksheet

_RESERVE_SHARE: Final = 0.005
_RESERVE_LEAST: Final = 3e-3
_SMALL: Final = 15e-3
_SMALL_SHARE: Final = 0.2
_EN: Final = "EN 12828:2012, annex D"
_ASHRAE: Final = "ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12"


@dataclass(frozen=True, slots=True)
class Smallest:
    """Volumes [m³] that a method comes to, and the pressures that it used."""

    expansion: float
    reserve: float
    exact: float
    between: Pressures


def smallest(case: Case, method: Method, sheet: Worksheet) -> Smallest:
    """Return the smallest tank for ``case`` by ``method``; its steps go to ``sheet``.

    Raises
    ------
    InputError
        If a needed value is missing or the pressures leave no room.
    OutOfRangeError
        If a temperature or pressure is outside what is known of the fluid.
    """
    if case.tank is TankKind.PLAIN and method is not Method.ASHRAE:
        raise InputError(f"a plain tank, without a diaphragm, is sized by the method ashrae, not {method}")
    between = pressures(case, method, sheet)
    if method is Method.EN12828:
        return _en12828(case, between, sheet)
    return _boyle(case, method, between, sheet)


def _boyle(case: Case, method: Method, between: Pressures, sheet: Worksheet) -> Smallest:
    supply = between.charge if between.supply is None else between.supply
    p1 = sheet.work(
        "P1", "cold, absolute", "p1 + Pa", supply + between.outside, Kind.ABSOLUTE, "definition", "p1 Pa"
    )
    p2 = _highest(between, sheet)
    ve = expansion(case, p1, sheet, net=True)
    source = (
        _ASHRAE if method is Method.ASHRAE else "Boyle's law, as ASHRAE ch. 12 and ASPE for potable water"
    )
    if between.charge == supply:
        exact = ve / (1.0 - p1 / p2)
        formula, uses = "Ve / (1 - P1 / P2)", "Ve P1 P2"
    else:
        p0 = _charge(between, sheet)
        start = max(p1, p0)  # a charge above the line: the tank takes nothing before the line is there
        exact = ve / (p0 / start - p0 / p2)
        formula, uses = (
            ("Ve / (P0 / P1 - P0 / P2)", "Ve P0 P1 P2") if p0 <= p1 else ("Ve / (1 - P0 / P2)", "Ve P0 P2")
        )
    sheet.work("Vt", "smallest tank", formula, exact, Kind.VOLUME, source, uses)
    return Smallest(ve, 0.0, exact, between)


def _en12828(case: Case, between: Pressures, sheet: Worksheet) -> Smallest:
    p0, p2 = _charge(between, sheet), _highest(between, sheet)
    ve = expansion(case, p0, sheet, net=False)
    least = sheet.given("Vm", "reserve, at least", _RESERVE_LEAST, Kind.VOLUME, _EN)
    content = (
        "V" if len(case.parts) == 1 else f"({' + '.join(f'V{n}' for n in range(1, len(case.parts) + 1))})"
    )
    uses = content.strip("()").replace("+ ", "") + " Vm"
    reserve = max(_RESERVE_SHARE * case.content, least)
    sheet.work("Vr", "water reserve", f"max(0.005 * {content}, Vm)", reserve, Kind.VOLUME, _EN, uses)
    exact = (ve + reserve) * p2 / (p2 - p0)
    sheet.work("Vt", "smallest tank", "(Ve + Vr) * P2 / (P2 - P0)", exact, Kind.VOLUME, _EN, "Ve Vr P2 P0")
    if exact <= _SMALL:
        exact, reserve = _small(ve, p0, p2, exact, reserve, sheet)
    return Smallest(ve, reserve, exact, between)


def _small(
    ve: float, p0: float, p2: float, exact: float, reserve: float, sheet: Worksheet
) -> tuple[float, float]:
    """Return volume and reserve of a tank of up to 15 L, which shall hold a fifth of its volume in reserve."""
    room = 1.0 - p0 / p2 - _SMALL_SHARE
    if room <= 0.0 or ve / room <= exact:
        return exact, reserve
    sheet.work(
        "Vt",
        "smallest tank, a fifth of it in reserve",
        "Ve / (1 - P0 / P2 - 0.2)",
        ve / room,
        Kind.VOLUME,
        f"{_EN}: up to 15 L",
        "Ve P0 P2",
    )
    return ve / room, _SMALL_SHARE * ve / room


def fill_range(volume: float, small: Smallest) -> Fill:
    """Return the cold filling pressures [gauge Pa] for a tank of ``volume`` [m³] by EN 12828, annex D.

    At the lower one the reserve is in the tank when cold, at the higher one the growth ends at the highest
    pressure. The middle is advised: it leaves room for both.
    """
    outside = small.between.outside
    p0, p2 = small.between.charge + outside, small.between.highest + outside
    low = p0 * volume / (volume - small.reserve) - outside
    high = p2 / (1.0 + small.expansion * p2 / (volume * p0)) - outside
    return Fill(low, high, 0.5 * (low + high))


def _charge(between: Pressures, sheet: Worksheet) -> float:
    return sheet.work(
        "P0",
        "air charge, absolute",
        "p0 + Pa",
        between.charge + between.outside,
        Kind.ABSOLUTE,
        "definition",
        "p0 Pa",
    )


def _highest(between: Pressures, sheet: Worksheet) -> float:
    return sheet.work(
        "P2",
        "highest, absolute",
        "p2 + Pa",
        between.highest + between.outside,
        Kind.ABSOLUTE,
        "definition",
        "p2 Pa",
    )
