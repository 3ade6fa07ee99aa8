"""Which fault explains which: only the first cause is raised."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from monitor.diagnosis.faults import Fault

_TANK: Final = frozenset(
    {Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST, Fault.AIR_CHARGE_HIGH, Fault.TANK_UNDERSIZED}
)

EXPLAINS: Final[Mapping[Fault, frozenset[Fault]]] = {
    # A signal that lies explains whatever was concluded from it.
    Fault.PRESSURE_SENSOR_FAULT: frozenset(Fault) - {Fault.PRESSURE_SENSOR_FAULT},
    Fault.HEATER_STATE_FAULT: _TANK | {Fault.CHECK_VALVE_PASSING, Fault.BLIND},
    # A loop that runs empty lies below the charge of its tank: stiff, whatever air is left. A lost cushion may
    # itself be why water is lost, by the relief valve, and is told beside it.
    Fault.WATER_LOSS: frozenset({Fault.AIR_CHARGE_LOW, Fault.AIR_CHARGE_HIGH}),
    # Growth that leaves by the check valve tests no tank.
    Fault.CHECK_VALVE_PASSING: _TANK | {Fault.BLIND},
    # A line that climbs by itself makes each burn look steeper than it is.
    Fault.REGULATOR_CREEP: frozenset({Fault.SUPPLY_PRESSURE_HIGH, Fault.AIR_CHARGE_LOW}),
    # A line that is soft above its knee has air: what looked like a lost cushion was the part below the knee.
    # A knee that is no longer seen, the line stiff through it, ends the high charge by its own sign.
    Fault.AIR_CHARGE_HIGH: frozenset({Fault.AIR_CUSHION_LOST, Fault.AIR_CHARGE_LOW, Fault.TANK_UNDERSIZED}),
    Fault.AIR_CUSHION_LOST: frozenset(
        {Fault.AIR_CHARGE_LOW, Fault.TANK_UNDERSIZED, Fault.RELIEF_DISCHARGING}
    ),
    Fault.AIR_CHARGE_LOW: frozenset({Fault.TANK_UNDERSIZED}),
}
"""Fault -> faults that need not be raised while it stands, and that end when it is raised."""

BLINDING: Final = frozenset({Fault.PRESSURE_SENSOR_FAULT, Fault.HEATER_STATE_FAULT})
"""Faults of the signals: while one stands no window may tell of the tank."""

BENDING: Final = frozenset(
    {
        Fault.PRESSURE_SENSOR_FAULT,
        Fault.HEATER_STATE_FAULT,
        Fault.CHECK_VALVE_PASSING,
        Fault.REGULATOR_CREEP,
        Fault.WATER_LOSS,
        Fault.AIR_CHARGE_HIGH,
    }
)
"""Faults that bend the estimate, or hide the tank: while one stands nothing is said for or against a repair."""


def explained(fault: Fault, standing: Iterable[Fault]) -> Fault | None:
    """Return the standing fault that explains ``fault``, or None."""
    return next((cause for cause in standing if fault in EXPLAINS.get(cause, frozenset())), None)
