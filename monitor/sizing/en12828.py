"""Expansion vessels of heating loops by EN 12828, annex D: growth, reserve, and a range of filling pressures.

The standard lets vessels of up to 15 L do with a fifth of their volume as reserve; 3 L are kept here for them
too, which is never less.
"""

from __future__ import annotations

from typing import Final

from monitor.errors import InputError
from monitor.sizing.case import Case
from monitor.sizing.growth import expansion, names_of
from monitor.sizing.pressures import OVER_TOP, Pressures, both
from monitor.sizing.result import Fill
from monitor.sizing.smallest import Smallest, charge_absolute, highest_absolute
from monitor.sizing.worksheet import Kind, Worksheet

_RESERVE_SHARE: Final = 0.005
_RESERVE_LEAST: Final = 3e-3
_EN: Final = "EN 12828 annex D"
_TOP: Final = "EN 12828:2012: 0.5 bar in every part of the filled loop (second-hand)"


def en12828(case: Case, between: Pressures, sheet: Worksheet) -> Smallest:
    """Return the smallest vessel that keeps growth, reserve and the pressure at the top; steps go to ``sheet``.

    Raises
    ------
    InputError
        If the pressures leave no room.
    OutOfRangeError
        If a temperature or pressure is outside what is known of the fluid.
    """
    p0, p2 = charge_absolute(between, sheet), highest_absolute(between, sheet)
    ve = expansion(case, p0, sheet, net=False)
    reserve = _reserve(case, sheet)
    exact = (ve + reserve) * p2 / (p2 - p0)
    formula = "(Ve + Vr) * P2 / (P2 - P0)"
    sheet.work("Va", "vessel for growth and reserve", formula, exact, Kind.VOLUME, _EN, "Ve Vr P2 P0")
    volumes = {"Va": exact, **_filled(ve, p0, p2, between, sheet)}
    exact = max(volumes.values())
    formula = f"max({', '.join(volumes)})" if len(volumes) > 1 else "Va"
    sheet.work("Vt", "smallest vessel", formula, exact, Kind.VOLUME, "all of these hold", " ".join(volumes))
    return Smallest(ve, reserve, exact, between)


def fill_range(volume: float, small: Smallest) -> Fill:
    """Return the cold filling pressures [gauge Pa] for a vessel of ``volume`` [m³].

    At the lower one the reserve is in the vessel and the top of the loop under pressure; at the higher one
    the growth ends at the highest pressure. The middle is advised: it leaves room for both.
    """
    outside = small.between.outside
    p0, p2 = small.between.charge + outside, small.between.highest + outside
    low = p0 * volume / (volume - small.reserve) - outside
    if small.between.head is not None:
        low = max(low, small.between.head + OVER_TOP)
    high = p2 / (1.0 + small.expansion * p2 / (volume * p0)) - outside
    return Fill(low, high, 0.5 * (low + high))


def _reserve(case: Case, sheet: Worksheet) -> float:
    least = sheet.given("Vm", "reserve, at least", _RESERVE_LEAST, Kind.VOLUME, _EN)
    names = names_of(case)
    content = names[0] if len(names) == 1 else f"({' + '.join(names)})"
    reserve = max(_RESERVE_SHARE * case.content, least)
    formula, uses = f"max(0.005 * {content}, Vm)", " ".join([*names, "Vm"])
    return sheet.work("Vr", "water reserve", formula, reserve, Kind.VOLUME, _EN, uses)


def _filled(ve: float, p0: float, p2: float, between: Pressures, sheet: Worksheet) -> dict[str, float]:
    """Return the vessel for a loop that is under pressure up to its top when filled."""
    if between.head is None or between.head + OVER_TOP <= between.charge:
        return {}
    over = sheet.given("n", "pressure at the top of the filled loop, at least", OVER_TOP, Kind.GAUGE, _TOP)
    filled = between.head + over
    if filled >= between.highest:
        raise InputError(
            f"the growth has no room: filled cold the loop is at {both(filled)} at the tank, and it must not pass "
            f"{both(between.highest)}; a relief valve with a higher setting, rated for by all parts, makes room"
        )
    pf = filled + between.outside
    terms = ["ps", *(["pv"] if sheet.has("pv") else []), "n", "Pa"]
    sheet.work("Pf", "filled cold, absolute", " + ".join(terms), pf, Kind.ABSOLUTE, _TOP, " ".join(terms))
    formula, volume = "Ve / (P0 / Pf - P0 / P2)", ve / (p0 / pf - p0 / p2)
    sheet.work(
        "Vc", "vessel for a loop filled so", formula, volume, Kind.VOLUME, "Boyle's law", "Ve P0 Pf P2"
    )
    return {"Vc": volume}
