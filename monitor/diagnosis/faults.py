"""The faults that can be named, and what a finding says of one.

Priorities after IEC 62682: high, medium, low.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Fault(StrEnum):
    """Codes of the faults; stable, they appear in machine output."""

    AIR_CHARGE_LOW = "air_charge_low"
    AIR_CUSHION_LOST = "air_cushion_lost"
    AIR_CHARGE_HIGH = "air_charge_high"
    TANK_UNDERSIZED = "tank_undersized"
    SUPPLY_PRESSURE_HIGH = "supply_pressure_high"
    REGULATOR_CREEP = "regulator_creep"
    CHECK_VALVE_PASSING = "check_valve_passing"
    RELIEF_DISCHARGING = "relief_discharging"
    WATER_LOSS = "water_loss"
    PRESSURE_SENSOR_FAULT = "pressure_sensor_fault"
    HEATER_STATE_FAULT = "heater_state_fault"
    BLIND = "blind"


class Severity(StrEnum):
    """Priority of a finding."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault at one site, from the reading that showed it to the reading that cleared it.

    ``began``: when the fault is thought to have begun; ``raised``: time of the reading at which it was
    raised; ``ended``: None while it stands. Times in epoch seconds UTC. ``(fault, raised)`` identifies a
    finding within its site. ``confidence`` is a probability. ``why`` (what is seen, since when, how sure),
    ``action`` (what to do first) and ``caution`` are sentences for people, in the site's unit and time zone.
    ``evidence`` holds the numbers (kPa gauge, SI) behind the words.
    """

    fault: Fault
    began: float
    raised: float
    severity: Severity
    confidence: float
    why: str
    action: str
    caution: str
    evidence: Mapping[str, float | str | None] = field(default_factory=dict)
    ended: float | None = None
