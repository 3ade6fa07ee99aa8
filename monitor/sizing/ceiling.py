"""The highest pressure that the growth may reach at the tank: by code, and by the relief valve. Gauge Pa."""

from __future__ import annotations

from typing import Final

from monitor.errors import InputError
from monitor.sizing.case import Case, Code, Use
from monitor.sizing.worksheet import Kind, Worksheet
from monitor.units import PSI

LIMITS: Final = {Code.US: 80.0 * PSI, Code.EUROPE: 500e3}
"""Line pressure above which a reducing valve is required [gauge Pa]: IPC 604.8, UPC 608.2; EN 806-2, 16.1."""

_UNDER_RELIEF: Final = 50e3
_SHARE_UNDER_RELIEF: Final = 0.1
_SHARE_POTABLE: Final = 0.8
_CODE: Final = "growth stays under the line's limit: IPC 604.8 and 607.3, UPC 608.2"
_MEANING: Final = "highest pressure at the tank"


REDUCED: Final = 0.75
"""Share of the line's limit to which a reducing valve is set here (common practice, no source)."""


def limit_of(case: Case) -> float:
    """Return the line pressure [gauge Pa] above which ``case`` needs a reducing valve."""
    return LIMITS[case.code] if case.supply_limit is None else case.supply_limit


def limits_growth(case: Case) -> bool:
    """Whether the limit of the line holds for the growth too: American codes, domestic hot water."""
    return case.use is Use.DOMESTIC and case.code is Code.US and case.highest is None


def highest(case: Case, sheet: Worksheet) -> float:
    """Return the highest pressure at the tank, noted on ``sheet``. [gauge Pa].

    American codes hold the growth of domestic hot water under the limit of the line itself.

    Raises
    ------
    InputError
        If neither a relief setting nor a highest pressure is known.
    """
    if case.highest is not None:
        return sheet.given("p2", _MEANING, case.highest, Kind.GAUGE, "given")
    limit = limit_of(case) if limits_growth(case) else None
    if case.relief is not None:
        sheet.given("pr", "relief valve setting", case.relief, Kind.GAUGE, "given")
        if limit is not None:
            note_limit(case, sheet)
        return _under_relief(case, case.relief, limit, sheet)
    if limit is None:
        raise InputError("the relief setting or the highest pressure allowed at the tank is needed")
    note_limit(case, sheet)
    return sheet.work("p2", _MEANING, "pl", limit, Kind.GAUGE, "growth stays under the limit", "pl")


def note_limit(case: Case, sheet: Worksheet) -> float:
    """Note the limit of the line once, and return it. [gauge Pa]."""
    source = _CODE if case.supply_limit is None else "given"
    if all(step.symbol != "pl" for step in sheet.steps):
        sheet.given("pl", "limit of the line, growth included", limit_of(case), Kind.GAUGE, source)
    return limit_of(case)


def _under_relief(case: Case, relief: float, limit: float | None, sheet: Worksheet) -> float:
    if case.use is Use.HEATING:
        sheet.given("k", "kept under the setting, at least", _UNDER_RELIEF, Kind.GAUGE, "EN 12828 annex D")
        under, formula = relief - max(_UNDER_RELIEF, _SHARE_UNDER_RELIEF * relief), "pr - max(k, pr / 10)"
        source, uses = "0.5 bar, or 10 % above 5 bar: EN 12828 annex D (from memory)", "pr k"
    elif case.code is Code.US:
        under, formula, uses = (1.0 - _SHARE_UNDER_RELIEF) * relief, "0.9 * pr", "pr"
        source = "10 % under the valve (common practice, no source)"
    else:
        under, formula, uses = _SHARE_POTABLE * relief, "0.8 * pr", "pr"
        source = "DIN 4807-5 (second-hand): valves may close a fifth under their setting"
    if limit is None:
        return sheet.work("p2", _MEANING, formula, under, Kind.GAUGE, source, uses)
    least = min(limit, under)
    return sheet.work("p2", _MEANING, f"min(pl, {formula})", least, Kind.GAUGE, source, f"pl {uses}")
