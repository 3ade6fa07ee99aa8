"""The pressures that a cushion must keep: its limit, and the worst peak that it would allow today."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.estimation.plant import Plant
from monitor.physics.cushion import pressure_after

LOW_SHARE: Final = 0.75
"""Share of the target charge (gauge) below which a charge is low (common practice, no source)."""

LOST_SHARE: Final = 0.3
"""Share of the nominal air below which a cushion counts as lost: a gauge would read about zero."""

NEAR_RELIEF: Final = 0.9
"""Share of the relief setting that a full recovery must not reach (common practice, no source)."""

_FILLED_ABOVE: Final = 30e3  # Pa
_HIGHEST_LIMIT: Final = 0.9  # a limit nearer to the target means a small tank, not a low charge


@dataclass(frozen=True, slots=True)
class Limits:
    """Air [J] at the limits and of a tank charged as it should be (``nominal``); ``relief`` None if unknown.

    ``target``: that charge, ``low_charge`` its limit. [gauge Pa]
    """

    target: float
    nominal: float
    low: float
    low_charge: float
    lost: float
    relief: float | None


def limits_of(plant: Plant, supply: float, elastic: float) -> Limits:
    """Return the limits for a line resting at ``supply`` [gauge Pa] with elasticity ``elastic`` [m³/Pa]."""
    target = target_of(plant, supply)
    low_charge = LOW_SHARE * target
    relief = None
    if plant.relief is not None:
        relief = air_for_peak(plant, supply, elastic, plant.relief)
        near = air_for_peak(plant, supply, elastic, NEAR_RELIEF * plant.relief)
        low_charge = max(low_charge, min(plant.charge_gauge(near), _HIGHEST_LIMIT * target))
    nominal = plant.air_of(target)
    return Limits(target, nominal, plant.air_of(low_charge), low_charge, LOST_SHARE * nominal, relief)


def target_of(plant: Plant, supply: float) -> float:
    """Return the charge [gauge Pa] that the tank should have on a line resting at ``supply`` [gauge Pa].

    The supply pressure at the tank, as stated; where nobody has stated it, as it is seen. A loop is filled to
    above the charge of its tank: 0.3 bar (EN 12828, second-hand), of low ones a third.
    """
    if plant.target_stated:
        return plant.charge_target
    if plant.loop:
        return max(supply - _FILLED_ABOVE, supply / 1.5, 0.0)
    return max(supply, 0.0)


def worst_case_peak(plant: Plant, supply: float, air: float, elastic: float) -> float:
    """Return the gauge pressure [Pa] that a full recovery from cold, without a draw, would reach.

    The relief valve holds it at its setting; without a known setting it may be infinite.
    """
    charge = air / plant.tank_volume
    peak = (
        pressure_after(air, elastic, supply + plant.atmosphere, plant.full_recovery, charge)
        - plant.atmosphere
    )
    return peak if plant.relief is None else min(peak, plant.relief)


def air_for_peak(plant: Plant, supply: float, elastic: float, peak: float) -> float:
    """Return the air [J] with which a full recovery just reaches ``peak`` [gauge Pa]; infinite if any does.

    The bladder's stop is left out: a charge above the supply is another fault than too little air.
    """
    start, end = supply + plant.atmosphere, peak + plant.atmosphere
    if end <= start:
        return math.inf
    taken_by_air = max(plant.full_recovery - elastic * (end - start), 0.0)
    return taken_by_air / (1.0 / start - 1.0 / end)
