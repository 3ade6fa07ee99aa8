"""Size a tank: one question in, the whole answer out."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from monitor.errors import CushionwatchError, InputError
from monitor.sizing.case import Case, Code, Method, TankKind, Use
from monitor.sizing.cautions import Outcome, cautions
from monitor.sizing.en12828 import fill_range
from monitor.sizing.methods import smallest
from monitor.sizing.pressures import cold_of
from monitor.sizing.result import Fill, Sizing, Tank
from monitor.sizing.series import next_larger
from monitor.sizing.smallest import Smallest
from monitor.sizing.tanks import Duty, tank, weight
from monitor.sizing.worksheet import Worksheet
from monitor.units import from_si, to_si

_UNIT: Final = {Code.US: "gal", Code.EUROPE: "L"}
_FILL_ROOM: Final = 10e3
"""Least width of the range of filling pressures a gauge can hit. [Pa] (common practice, no source)"""

_NEXT: Final = 1.01  # into the next preferred number
_SUITS: Final = {
    Use.DOMESTIC: (Method.POTABLE,),
    Use.HEATING: (Method.ASHRAE, Method.EN12828),
}


def size(case: Case) -> Sizing:
    """Return the tank for ``case`` with every step of the calculation.

    Raises
    ------
    InputError
        If a needed value is missing, contradicts another, or leaves no room for the growth.
    OutOfRangeError
        If a temperature, pressure or altitude is outside what is known of it.
    """
    check(case)
    sheet = Worksheet()
    found = smallest(case, case.way, sheet)
    volume = fitted_volume(case, found)
    if volume <= found.reserve:
        raise InputError(
            f"a tank of {volume * 1e3:.4g} L ({from_si(volume, 'gal', 'volume'):.4g} gal) does not even hold the water "
            f"reserve of {found.reserve * 1e3:.4g} L; at least {found.exact * 1e3:.4g} L are needed"
        )
    fill = fill_range(volume, found) if case.way is Method.EN12828 else None
    duty = _duty(case, found, fill)
    advised = tank(volume, found.between.charge, duty)
    present = _present(case, found, duty)
    density = float(case.medium.density(cold_of(case)))
    return Sizing(
        case=case, method=case.way, steps=tuple(sheet.steps), assumed=_assumed(case),
        supply=duty.cold, highest=duty.highest,
        expansion=found.expansion, reserve=found.reserve, needed=found.expansion + found.reserve, exact=found.exact,
        advised=advised, fill=fill, weight=weight(advised, duty, density, case.tank_mass), present=present,
        others=_others(case), cautions=cautions(case, Outcome(found, advised, present, duty, fill)),
    )  # fmt: skip


def fitted_volume(case: Case, found: Smallest) -> float:
    """Return the volume [m³] that the figures are for: as bought, else the preferred number that does.

    Never below the present tank, and with a filling range that a gauge can hit.
    """
    if case.fit is not None:
        return case.fit
    one = to_si(1.0, _UNIT[case.code], "volume")
    volume = next_larger(found.exact / one) * one
    if case.way is Method.EN12828:
        fill = fill_range(volume, found)
        if fill.high - fill.low < _FILL_ROOM:
            volume = next_larger(volume * _NEXT / one) * one
    return volume if case.present is None else max(volume, case.present.volume)


def check(case: Case) -> None:
    """Raise `InputError` for values that no system can have."""
    for what, value in (
        ("supply pressure", case.supply), ("air charge", case.precharge), ("static height", case.height),
        ("charge below the line", case.charge_below), ("mass of the empty tank", case.tank_mass),
    ):  # fmt: skip
        if value is not None and not value >= 0.0:
            raise InputError(f"the {what} must not be negative; {value:g} (SI) was given")
    for what, value in (("relief setting", case.relief), ("highest pressure", case.highest)):
        if value is not None and not value > 0.0:
            raise InputError(f"the {what} must be above 0; {value:g} Pa was given")
    if case.relief is not None and case.highest is not None and case.highest > case.relief:
        raise InputError(
            f"the highest pressure allowed ({case.highest / 1e3:.4g} kPa) is above the relief setting "
            f"({case.relief / 1e3:.4g} kPa): the valve would open first"
        )
    there = None if case.present is None else case.present.volume
    for what, volume in (("present", there), ("fitted", case.fit)):
        if volume is not None and not 0.0 < volume < math.inf:
            raise InputError(f"the volume of the {what} tank must be above 0")
    if case.use is Use.HEATING and case.charge_below:
        raise InputError(
            "a charge below the line is for domestic hot water; a loop's charge follows its height"
        )
    if case.use is Use.DOMESTIC and case.fluid is not None and case.fluid.name != "water":
        raise InputError(f"{case.fluid.name} has no place in domestic hot water; glycol is for heating loops")


def _duty(case: Case, found: Smallest, fill: Fill | None) -> Duty:
    between = found.between
    cold = between.charge if between.supply is None else between.supply
    if fill is not None and not (case.supply is not None and fill.low <= cold <= fill.high):
        cold = fill.advised
    return Duty(found.expansion, cold, between.highest, case.relief, between.outside)


def _present(case: Case, found: Smallest, duty: Duty) -> Tank | None:
    """Judge the present tank; that of a loop at the fill for its volume, rightly charged, as it is filled."""
    if case.present is None:
        return None
    charge = found.between.charge if case.present.precharge is None else case.present.precharge
    if case.way is Method.EN12828 and case.present.volume > found.reserve:
        own = fill_range(case.present.volume, found)
        duty = replace(duty, cold=own.advised if own.low < own.high else own.low)
    return tank(case.present.volume, charge, duty)


def _others(case: Case) -> tuple[tuple[Method, float], ...]:
    found = []
    for method in _SUITS[case.use]:
        if method is case.way or (case.tank is TankKind.PLAIN and method is not Method.ASHRAE):
            continue
        try:
            found.append((method, smallest(case, method, Worksheet()).exact))
        except CushionwatchError:  # needs a value that the chosen method does without
            continue
    return tuple(found)


def _assumed(case: Case) -> tuple[str, ...]:
    """Return the names of the values that stand in for what was not given."""
    return ("cold",) if case.cold is None else ()
