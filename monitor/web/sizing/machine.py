"""A sizing for other programs: kPa gauge, litres, kg and °C, the unit in each key; null for what is infinite."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from monitor.sizing.case import Case
from monitor.sizing.pressures import cold_of
from monitor.sizing.result import Caution, Fill, Floors, Sizing, Tank
from monitor.sizing.worksheet import Kind, Step
from monitor.units import KPA
from monitor.web.machine import number
from monitor.web.sizing.answer import assumptions, safety, warning
from monitor.web.sizing.lines import converted, unit_of
from monitor.web.sizing.present import large_enough
from monitor.web.sizing.shown import Shown

_SI: Final = Shown("kPa")
_LITRE: Final = 1e-3
_DIGITS: Final = 6
_VOLUMES: Final = ("exact", "exact_reduced", "fit", "present", "water", "volume")


def sizing(found: Sizing, shown: Shown, notes: Sequence[str] = ()) -> dict[str, Any]:
    """Return the stable JSON form; only sentences are in the reader's units."""
    return {
        "method": found.method.value,
        "question": _question(found.case),
        "assumed": assumptions(found, shown, notes),
        "supply_kpa": _kpa(found.supply),
        "highest_kpa": _kpa(found.highest),
        "expansion_l": _litres(found.expansion),
        "reserve_l": _litres(found.reserve),
        "needed_l": _litres(found.needed),
        "exact_l": _litres(found.exact),
        "advised": _tank(found.advised),
        "fill": _fill(found.fill),
        "weight": {
            "filled_kg": number(found.weight.filled),
            "waterlogged_kg": number(found.weight.waterlogged),
            "empty_kg": number(found.weight.empty),
        },
        "present": found.present and {**_tank(found.present), "large_enough": large_enough(found)},
        "others": [{"method": method.value, "exact_l": _litres(exact)} for method, exact in found.others],
        "cautions": [_caution(one, found, shown) for one in found.cautions],
        "safety": safety(found.case),
        "steps": [_step(step) for step in found.steps],
    }


def _question(case: Case) -> dict[str, Any]:
    return {
        "use": case.use.value,
        "code": case.code.value,
        "tank_kind": case.tank.value,
        "parts": [
            {"volume_l": _litres(part.volume), "material": part.material and part.material.name}
            for part in case.parts
        ],
        "fluid": case.medium.name,
        "hot_degc": number(case.hot),
        "cold_degc": number(cold_of(case)),
        "supply_kpa": _kpa(case.supply),
        "height_m": number(case.height),
        "precharge_kpa": _kpa(case.precharge),
        "charge_below_kpa": _kpa(case.charge_below),
        "relief_kpa": _kpa(case.relief),
        "highest_kpa": _kpa(case.highest),
        "limit_kpa": _kpa(case.supply_limit),
        "altitude_m": number(case.altitude),
        "tank_l": case.present and _litres(case.present.volume),
        "tank_precharge_kpa": case.present and _kpa(case.present.precharge),
        "fit_l": _litres(case.fit),
        "empty_weight_kg": number(case.tank_mass),
    }


def _tank(one: Tank) -> dict[str, Any]:
    return {
        "volume_l": _litres(one.volume),
        "precharge_kpa": _kpa(one.precharge),
        "cold_kpa": _kpa(one.cold),
        "acceptance_l": _litres(one.acceptance),
        "peak_kpa": _kpa(one.peaks.slow),
        "peak_bound_kpa": _kpa(one.peaks.fast),
        "charge_floors": _floors(one.floors),
        "enough": one.enough,
    }


def _floors(floors: Floors) -> dict[str, Any]:
    return {
        "highest_kpa": _kpa(floors.highest),
        "near_relief_kpa": _kpa(floors.near_relief),
        "relief_kpa": _kpa(floors.relief),
    }


def _fill(fill: Fill | None) -> dict[str, Any] | None:
    if fill is None:
        return None
    return {"low_kpa": _kpa(fill.low), "high_kpa": _kpa(fill.high), "advised_kpa": _kpa(fill.advised)}


def _caution(one: Caution, found: Sizing, shown: Shown) -> dict[str, Any]:
    values = {}
    for name, value in one.values:
        if one.code == "hot-at-valve":
            values[f"{name}_degc"] = number(value)
        elif name in _VOLUMES:
            values[f"{name}_l"] = _litres(value)
        else:
            values[f"{name}_kpa"] = _kpa(value)
    return {"code": one.code, "text": warning(one, found, shown), "values": values}


def _step(step: Step) -> dict[str, Any]:
    """Return a step; its formula holds for the numbers as they are here, in kPa and litres."""
    return {
        "symbol": step.symbol,
        "meaning": step.meaning,
        "formula": step.formula,
        "operands": [{"symbol": one.symbol, **_measured(one.value, one.kind)} for one in step.operands],
        **_measured(step.value, step.kind),
        "source": step.source,
    }


def _measured(value: float, kind: Kind) -> dict[str, Any]:
    return {"value": number(converted(value, kind, _SI), 12), "unit": unit_of(kind, _SI)}


def _kpa(pascal: float | None) -> float | None:
    return None if pascal is None else number(pascal / KPA, _DIGITS)


def _litres(cubic_metres: float | None) -> float | None:
    return None if cubic_metres is None else number(cubic_metres / _LITRE, _DIGITS)
