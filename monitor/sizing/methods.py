"""Smallest tank by each method. All rest on Boyle's law; they differ in charge, reserve and margins.

A tank charged to P0 (absolute) takes ``Vt (P0/P1 - P0/P2)`` of water while the pressure goes from P1 to P2.
"""

from __future__ import annotations

from typing import Final

from monitor.errors import InputError
from monitor.sizing.case import Case, Method, TankKind, Use
from monitor.sizing.en12828 import en12828
from monitor.sizing.growth import expansion
from monitor.sizing.pressures import Pressures, pressures
from monitor.sizing.smallest import Smallest, charge_absolute, highest_absolute
from monitor.sizing.worksheet import Kind, Worksheet

_SOURCES: Final = {
    Method.ASHRAE: "ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12, eqs. 12 to 14",
    Method.POTABLE: "Boyle's law, as ASPE writes it for potable water",
}


def smallest(case: Case, method: Method, sheet: Worksheet) -> Smallest:
    """Return the smallest tank for ``case`` by ``method``; its steps go to ``sheet``.

    Raises
    ------
    InputError
        If a needed value is missing, the method does not suit, or the pressures leave no room.
    OutOfRangeError
        If a temperature or pressure is outside what is known of the fluid.
    """
    if case.tank is TankKind.PLAIN and method is not Method.ASHRAE:
        raise InputError(f"a plain tank, without a diaphragm, is sized by the method ashrae, not {method}")
    if case.use is Use.DOMESTIC and method is Method.EN12828:
        raise InputError("the method en12828 is for heating loops; domestic hot water is sized by potable")
    between = pressures(case, method, sheet)
    if method is Method.EN12828:
        return en12828(case, between, sheet)
    return _boyle(case, method, between, sheet)


def _boyle(case: Case, method: Method, between: Pressures, sheet: Worksheet) -> Smallest:
    supply = between.charge if between.supply is None else between.supply
    p1 = supply + between.outside
    sheet.work("P1", "cold, absolute", "p1 + Pa", p1, Kind.ABSOLUTE, "definition", "p1 Pa")
    p2 = highest_absolute(between, sheet)
    ve = expansion(case, p1, sheet, net=True)
    formula, exact = "Ve / (1 - P1 / P2)", ve / (1.0 - p1 / p2)
    if between.charge != supply:
        p0 = charge_absolute(between, sheet)
        if p0 < p1:
            formula, exact = "Ve / (P0 / P1 - P0 / P2)", ve / (p0 / p1 - p0 / p2)
        else:  # the tank takes nothing before the line has reached the charge
            formula, exact = "Ve / (1 - P0 / P2)", ve / (1.0 - p0 / p2)
    uses = " ".join(name for name in ("Ve", "P0", "P1", "P2") if name in formula)
    sheet.work("Vt", "smallest tank", formula, exact, Kind.VOLUME, _SOURCES[method], uses)
    return Smallest(ve, 0.0, exact, between)
