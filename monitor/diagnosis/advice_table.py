"""The decision table: which situation asks for which advice. Read it as rules; no two rows share a situation.

From top to bottom it goes from what cannot wait, over what makes the tank impossible to judge, to the tank. Where a
fault has a first action of its own, the words are those of `monitor.diagnosis.rationale`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from monitor.diagnosis.advice import FAULTS, NONE, Advice, Age, Charge, Look, NoFault, Row, Situation, Watch
from monitor.diagnosis.faults import Fault
from monitor.diagnosis.rationale import DISCHARGING, RATIONALES

_DRY: Final = frozenset({Look.NO, Look.UNKNOWN})
_NO_LEAK: Final = frozenset({Look.NO, Look.UNKNOWN})
_FITS: Final = frozenset({Charge.RIGHT, Charge.UNKNOWN})
_SHORT: Final = frozenset({Charge.BELOW, Charge.UNKNOWN})
_ENOUGH: Final = frozenset({Charge.RIGHT, Charge.ABOVE})
_STANDS: Final = frozenset(Watch) - {Watch.FALLEN}
_OVER: Final = _STANDS - {Watch.RUNNING}


def _but(*faults: Fault) -> frozenset[Fault | NoFault]:
    return frozenset(FAULTS) - frozenset(faults)


def _of(*faults: Fault | NoFault) -> frozenset[Fault | NoFault]:
    return frozenset(faults)


def _action(fault: Fault) -> str:
    return RATIONALES[fault.value].action


_REFILL: Final = (
    "Relieve the water side, gauge the air valve, and pump the tank slowly up to the supply pressure, never above "
    "what it is marked for. Log the visit: it is then watched for a week."
)
_REPLACE: Final = (
    "Replace the tank, never by a smaller one; set its charge to the supply pressure before it is filled. A tank full "
    "of water is heavy: support it before you unscrew it."
)
_TEST: Final = (
    "Relieve the water side, gauge the air valve and press its pin briefly. Water: replace the tank. Only air, or "
    "nothing: pump it up to the supply pressure. Log what you saw."
)
_AGAIN: Final = "Relieve the water side, gauge the air valve, and log what it shows."
_AIR_LEAK: Final = (
    "Find and mend where the tank loses its air: brush soapy water on the air valve and its cap, on the seams and on "
    "the joint, put in a new valve core if that leaks. Then pump it up to the supply pressure and log the visit."
)
_WAIT: Final = (
    "Leave it as it is. The estimate needs a few heat-ups after the visit, and the watch a week; it tells "
    "earlier if the charge falls."
)

TABLE: Final[Sequence[Row]] = (
    Row(Advice.CALL, f"{DISCHARGING[1]} {DISCHARGING[0]}",
        "A relief valve that discharges comes before all else.",
        _of(Fault.RELIEF_DISCHARGING)),
    Row(Advice.REPLACE, _REPLACE, "Water at the air valve means a torn diaphragm: no air will stay.",
        _but(Fault.RELIEF_DISCHARGING), water=frozenset({Look.YES})),
    Row(Advice.SENSOR, _action(Fault.PRESSURE_SENSOR_FAULT),
        "With a sensor that cannot be trusted nothing else that is said here can be.",
        _of(Fault.PRESSURE_SENSOR_FAULT), water=_DRY),
    Row(Advice.SENSOR, _action(Fault.HEATER_STATE_FAULT),
        "Without a heater signal that fits, the tank cannot be weighed.",
        _of(Fault.HEATER_STATE_FAULT), water=_DRY),
    Row(Advice.SENSOR, _action(Fault.BLIND), "Nothing can be seen of the tank at present.",
        _of(Fault.BLIND), water=_DRY),
    Row(Advice.CHECK_VALVE, _action(Fault.CHECK_VALVE_PASSING),
        "Water that flows back hides the tank: this first, then the tank is judged anew.",
        _of(Fault.CHECK_VALVE_PASSING), water=_DRY),
    Row(Advice.LEAK, _action(Fault.WATER_LOSS), "Water is being lost, and pulls the line down with it.",
        _of(Fault.WATER_LOSS), water=_DRY),
    Row(Advice.REGULATOR, _action(Fault.SUPPLY_PRESSURE_HIGH),
        "The tank is set to the supply pressure: that must be right first.",
        _of(Fault.SUPPLY_PRESSURE_HIGH), water=_DRY),
    Row(Advice.REGULATOR, _action(Fault.REGULATOR_CREEP),
        "The tank is set to the supply pressure: that must stay first.",
        _of(Fault.REGULATOR_CREEP), water=_DRY),
    Row(Advice.LARGER, _action(Fault.TANK_UNDERSIZED), "With the right charge it is still too small.",
        _of(Fault.TANK_UNDERSIZED), water=_DRY),
    Row(Advice.WAIT, _WAIT, "The last visit left a charge that is not too high; the line has not shown it yet.",
        _of(Fault.AIR_CHARGE_HIGH), water=_DRY,
        charge=frozenset({Charge.RIGHT, Charge.BELOW}), watch=frozenset({Watch.RUNNING})),
    Row(Advice.RELEASE, _action(Fault.AIR_CHARGE_HIGH), "The last visit left the charge too high, or its size unknown.",
        _of(Fault.AIR_CHARGE_HIGH), water=_DRY,
        charge=frozenset({Charge.ABOVE, Charge.UNKNOWN}), watch=frozenset({Watch.RUNNING})),
    Row(Advice.RELEASE, _action(Fault.AIR_CHARGE_HIGH), "The tank stays shut until the line has risen to its charge.",
        _of(Fault.AIR_CHARGE_HIGH), water=_DRY, watch=frozenset(Watch) - {Watch.RUNNING}),
    Row(Advice.LEAK, _AIR_LEAK, "The charge fell again, and a leak was seen that may be why.",
        _of(NONE, Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST), water=_DRY,
        watch=frozenset({Watch.FALLEN}), leak=frozenset({Look.YES})),
    Row(Advice.REPLACE, _REPLACE, "The charge fell again, and no leak was seen: the tank does not hold.",
        _of(NONE, Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST), water=_DRY,
        watch=frozenset({Watch.FALLEN}), leak=_NO_LEAK),
    Row(Advice.WAIT, _WAIT, "The last visit left enough air; the line has not shown it yet.",
        _of(Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST), water=_DRY,
        charge=_ENOUGH, watch=frozenset({Watch.RUNNING})),
    Row(Advice.REFILL, _REFILL, "The last visit left too little air, or did not say how much.",
        _of(Fault.AIR_CHARGE_LOW), water=_DRY, charge=_SHORT, watch=frozenset({Watch.RUNNING})),
    Row(Advice.REFILL, _REFILL, "A tank loses air over the years: one refill and a week tell whether it still holds.",
        _of(Fault.AIR_CHARGE_LOW), water=_DRY, watch=_OVER),
    Row(Advice.REFILL, _REFILL, "No water came at the air valve: the diaphragm may be whole and the tank only empty.",
        _of(Fault.AIR_CUSHION_LOST), water=frozenset({Look.NO}), charge=_SHORT,
        watch=frozenset({Watch.RUNNING})),
    Row(Advice.REFILL, _REFILL, "No water came at the air valve: the diaphragm may be whole and the tank only empty.",
        _of(Fault.AIR_CUSHION_LOST), water=frozenset({Look.NO}), watch=_OVER),
    Row(Advice.GAUGE, _TEST, "From the pipe, an empty tank and a torn one look the same.",
        _of(Fault.AIR_CUSHION_LOST), water=frozenset({Look.UNKNOWN}), charge=_SHORT,
        watch=frozenset({Watch.RUNNING})),
    Row(Advice.GAUGE, _TEST, "From the pipe, an empty tank and a torn one look the same.",
        _of(Fault.AIR_CUSHION_LOST), water=frozenset({Look.UNKNOWN}), watch=_OVER),
    Row(Advice.LEAK, _action(Fault.WATER_LOSS), "A leak was seen at the last visit.",
        _of(NONE), water=_DRY, watch=_STANDS, leak=frozenset({Look.YES})),
    Row(Advice.REFILL, _REFILL, "The last visit left the charge below the supply pressure.",
        _of(NONE), water=_DRY, charge=frozenset({Charge.BELOW}), watch=_STANDS, leak=_NO_LEAK),
    Row(Advice.RELEASE, _action(Fault.AIR_CHARGE_HIGH), "The last visit left the charge above the supply pressure.",
        _of(NONE), water=_DRY, charge=frozenset({Charge.ABOVE}), watch=_STANDS, leak=_NO_LEAK),
    Row(Advice.WAIT, _WAIT, "The watch of the last visit is not over.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.RUNNING}), leak=_NO_LEAK),
    Row(Advice.GAUGE, _AGAIN, "The week could not show whether the charge held; a second gauge reading can.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.UNPROVABLE}), leak=_NO_LEAK),
    Row(Advice.NOTHING, "Nothing to do.", "What the last visit left has held, and nothing is wrong.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.HELD}), leak=_NO_LEAK,
        age=frozenset(Age) - {Age.LONGER}),
    Row(Advice.NOTHING, "Nothing to do.", "Nothing is wrong, and somebody was there within a year.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.NONE}), leak=_NO_LEAK,
        age=frozenset({Age.WEEK, Age.YEAR})),
    Row(Advice.GAUGE, _AGAIN, "Nothing is wrong; a gauge reading a year keeps the estimate sharp.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.NONE, Watch.HELD}), leak=_NO_LEAK,
        age=frozenset({Age.LONGER})),
    Row(Advice.GAUGE, _AGAIN, "Nothing is wrong; one gauge reading about halves the error of the estimate.",
        _of(NONE), water=_DRY, charge=_FITS, watch=frozenset({Watch.NONE}), leak=_NO_LEAK,
        age=frozenset({Age.NEVER})),
)  # fmt: skip


def advise(one: Situation, table: Iterable[Row] = TABLE) -> Row:
    """Return the row that a situation falls under."""
    return next(row for row in table if row.fits(one))
