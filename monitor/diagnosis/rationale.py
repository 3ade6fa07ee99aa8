"""What each fault means to the people who answer for the site: one row per fault, source of all alerts.

The rows follow the alarm rationalisation of IEC 62682: consequence of no action, time to respond, first
action. The finding itself says what was measured; these sentences are what is true of every such finding.
Keyed by the code, so that a row can stand before its fault can be found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from monitor.diagnosis.faults import Finding

RELIEVE: Final = (
    "Shut off the supply and let the pressure off the tank's water side before you gauge or pump: with water "
    "pressure behind it, the gauge shows the line and not the air."
)
PUMP: Final = (
    "Pump slowly, with a gauge at hand, and never above the greatest precharge that is marked on the tank."
)
HOT_WATER: Final = (
    "The water and the pipes can scald. Switch the heater off before you let the pressure off, "
    "and follow its maker's instructions."
)
LICENSED: Final = (
    "Local codes decide what may be changed and by whom; work on water heaters, relief valves and supply "
    "pressure belongs to licensed people in most places."
)
NEVER_PLUG: Final = (
    "Never plug, cap or shut off a relief valve or its pipe: it is the last guard against a burst heater. "
    "The water that comes out can scald; keep away from the outlet."
)
WORK_ON_TANK: Final = (RELIEVE, HOT_WATER, LICENSED)
OVERHEATING: Final = (
    "Steam, or water that keeps coming, can mean that the heater overheats: switch it off where that can be "
    "done from a safe place, and call a licensed plumber at once."
)
DISCHARGING: Final = (NEVER_PLUG, OVERHEATING)


@dataclass(frozen=True, slots=True)
class Rationale:
    """One fault: ``headline`` after the site's name, then sentences.

    ``action`` is used where the finding brings none; ``general``: cautions that give way to the
    finding's own; ``over`` is said when the fault has returned to normal.
    ``refill``: the pump setting belongs in the alert. ``forecast``: so does the date at which the air charge
    reaches its limit. ``urgent``: the title says so and the first caution stands before all else.
    """

    headline: str
    consequence: str
    respond: str
    action: str
    cautions: tuple[str, ...]
    over: str
    general: tuple[str, ...] = (LICENSED,)
    refill: bool = False
    forecast: bool = False
    urgent: bool = False


RATIONALES: Final[Mapping[str, Rationale]] = {
    "air_charge_low": Rationale(
        headline="expansion tank is low on air",
        consequence=(
            "The tank takes up less and less of the water's growth, each heat-up ends at a higher "
            "pressure, and in the end the relief valve drips and heater and hoses are stressed."
        ),
        respond="within two weeks, before the forecast date if there is one",
        action=(
            "Let the pressure off the water side, gauge the air valve, pump the tank up to the supply "
            "pressure, log the visit, and gauge it again in a week."
        ),
        cautions=(PUMP,),
        general=WORK_ON_TANK,
        over=(
            "If the tank was pumped up, watch it for seven days: a charge that falls again means that "
            "the tank has to be replaced. If nobody was there, have the air valve gauged all the same."
        ),
        forecast=True,
        refill=True,
    ),
    "air_cushion_lost": Rationale(
        headline="expansion tank has lost its air cushion",
        consequence=(
            "Nothing takes up the water's growth now. Each full heat-up can open the relief valve, and "
            "heater, valves and hoses are stressed every time."
        ),
        respond="within two days",
        action=(
            "Let the pressure off the water side and press the pin of the air valve briefly: water "
            "there means a torn diaphragm, and the tank has to be replaced, never by a smaller one. "
            "Only air, or nothing: pump it up to the supply pressure and gauge it again in a week."
        ),
        cautions=(PUMP,),
        general=(
            "From the pipe, a waterlogged tank and a torn diaphragm look the same; only the test at the air "
            "valve tells which it is. A waterlogged tank is heavy: support it before you unscrew it.",
            *WORK_ON_TANK,
        ),
        over=(
            "If the tank was pumped up, watch it for seven days: a charge that falls again means that "
            "the tank has to be replaced."
        ),
        refill=True,
    ),
    "air_charge_high": Rationale(
        headline="expansion tank is pumped up too high",
        consequence=(
            "The tank stays shut until the line has risen to its air charge, so part of it is of no use."
        ),
        respond="at the next visit, within a month",
        action=(
            "Let the pressure off the water side and let air out until the gauge shows the supply pressure."
        ),
        cautions=(),
        general=WORK_ON_TANK,
        over="No more to do; the air charge fits the supply pressure again.",
        refill=True,
    ),
    "tank_undersized": Rationale(
        headline="expansion tank is too small",
        consequence=(
            "Even with the right air charge, a full heat-up without a draw comes near the relief "
            "setting; the relief valve will drip at times."
        ),
        respond="plan it within a month",
        action=(
            "Have a larger tank fitted, or a second one beside it; size it for this heater and supply "
            "pressure."
        ),
        cautions=("A larger tank is heavier when it fills: check what it hangs on.",),
        general=WORK_ON_TANK,
        over="No more to do; a full heat-up stays clear of the relief setting again.",
    ),
    "supply_pressure_high": Rationale(
        headline="supply pressure is above the limit",
        consequence=(
            "Valves, hoses and the heater wear early, and the expansion tank has less room to work in."
        ),
        respond="within two weeks",
        action="Have the pressure reducing valve checked, or one fitted where there is none.",
        cautions=(
            "A changed supply pressure needs a changed air charge in the tank: gauge and pump it anew.",
        ),
        over="Gauge the tank's air charge against the supply pressure as it is now.",
    ),
    "regulator_creep": Rationale(
        headline="pressure reducing valve lets pressure creep up",
        consequence=(
            "The line rises at night with no draw and no heat, in the end up to the street's pressure."
        ),
        respond="within two weeks",
        action="Have the seat of the pressure reducing valve cleaned or the valve replaced.",
        cautions=(),
        over="No more to do if the valve was serviced; else have it looked at, creep comes back.",
    ),
    "check_valve_passing": Rationale(
        headline="check valve lets water back",
        consequence=(
            "Water that has been heated can flow back towards the street, and as long as it does so the "
            "expansion tank is not tested: it may be empty without anyone seeing it."
        ),
        respond="within two weeks",
        action="Have the check valve or backflow preventer tested and repaired.",
        cautions=(
            "Backflow preventers guard drinking water; in most places only certified testers may open them.",
        ),
        over="The expansion tank is tested again from now on; its state is known after a few heat-ups.",
    ),
    "relief_discharging": Rationale(
        headline="relief valve is discharging",
        urgent=True,
        consequence=(
            "Hot water is lost at each heat-up, the heater works at its highest pressure, and a valve "
            "that opens often wears and lime can jam it, until it no longer closes or, worse, no longer"
            " opens."
        ),
        respond="today",
        action=(
            "Have someone there today. If it only drips at the end of a heat-up, find the cause of the "
            "pressure, as a rule an expansion tank without air, and have the relief valve checked then."
        ),
        cautions=DISCHARGING,
        over=(
            "Have the relief valve checked all the same: one that has opened does not always close "
            "tightly, and the cause of the pressure may still be there."
        ),
    ),
    "water_loss": Rationale(
        headline="water is being lost",
        consequence=(
            "The leak goes on and can grow; it spoils the building, and a loop draws in fresh, "
            "corrosive water."
        ),
        respond="within a day",
        action=(
            "Look for the leak: relief valve outlet, drains, fittings, heater, and the fixtures behind them."
        ),
        cautions=(
            "Do not top up a loop again and again without finding the leak.",
            "Keep away from electrical parts that are wet.",
        ),
        over="If nobody found a leak, keep an eye on the places where one would show.",
    ),
    "pressure_sensor_fault": Rationale(
        headline="pressure sensor cannot be trusted",
        consequence=(
            "The site is not watched until the sensor is right: a lost air cushion would not be seen."
        ),
        respond="within a week",
        action="Compare the sensor with a gauge; check its wiring; re-zero or replace it.",
        cautions=("Shut off and let the pressure off before you unscrew a sensor.",),
        general=(HOT_WATER, LICENSED),
        over="The site is watched again; its state is known after a few heat-ups.",
    ),
    "heater_state_fault": Rationale(
        headline="heater signal does not fit the pressure",
        consequence=(
            "The site is not watched until the signal is right: a lost air cushion would not be seen."
        ),
        respond="within a week",
        action=(
            "Check that the heater signal comes from this heater, is not inverted or stuck, and that "
            "its clock is right."
        ),
        cautions=("Let a qualified electrician work on live wiring.",),
        over="The site is watched again; its state is known after a few heat-ups.",
    ),
    "blind": Rationale(
        headline="site is not watched at present",
        consequence=(
            "A lost air cushion would not be seen. This is no sign that anything is wrong with the "
            "tank, and no sign that it is well."
        ),
        respond="within a week",
        action=(
            "Check that the sensors have power and reach the broker; then see on the page what is missing."
        ),
        cautions=("Until then, rely on a gauge at the tank's air valve.",),
        general=(RELIEVE, LICENSED),
        over="The site is watched again.",
    ),
}

UNKNOWN: Final = Rationale(
    headline="something is wrong",
    consequence="It is not known what follows if it is left.",
    respond="within a week",
    action="Look at the page of the site and at the numbers there.",
    cautions=(NEVER_PLUG,),
    over="See the page of the site.",
)


def rationale(fault: str) -> Rationale:
    """Return the row of a fault; a general one for a code that has none yet."""
    return RATIONALES.get(fault, UNKNOWN)


def rationale_of(finding: Finding) -> Rationale:
    """Return what is true of a finding; urgent also where a discharging relief valve is part of it."""
    about = rationale(finding.fault.value)
    if about.urgent or finding.evidence.get("relief_discharging_since") is None:
        return about
    return replace(
        about,
        headline=f"{about.headline}, relief valve discharges",
        respond="today",
        cautions=(*DISCHARGING, *about.cautions),
        urgent=True,
    )
