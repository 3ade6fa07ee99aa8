"""What each caution of a sizing means and what to do about it. Keyed by the codes of `monitor.sizing`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from monitor.sizing.result import Caution
from monitor.web.sizing.shown import Shown

_MOST: Final = 2.5e6  # Pa: relief valves are set no higher
Told = Callable[[Caution, Shown], str]


def caution(one: Caution, shown: Shown) -> str:
    """Return a caution in a sentence or two, in the reader's units."""
    return TEXTS[one.code](one, shown)


def peak(pascal: float, shown: Shown) -> str:
    """Return a peak in words; where next to nothing takes up the growth no number is meant."""
    return shown.pressure(pascal) if pascal <= _MOST else "more than any system holds"


def _supply_above_limit(one: Caution, shown: Shown) -> str:
    return (
        f"The line is at {shown.pressure(one['supply'])}, above the limit of {shown.pressure(one['limit'])}: "
        "have a licensed plumber fit a pressure reducing valve set below the limit. Then size again with the "
        "pressure behind it; a larger tank is no substitute."
    )


def _precharge_above_supply(one: Caution, shown: Shown) -> str:
    return (
        f"An air charge of {shown.pressure(one['precharge'])} is above the {shown.pressure(one['supply'])} that "
        "the tank sees when cold: the tank stays shut until the pressure has risen to its charge, and part of "
        "it is of no use. Let air out, with the water side relieved, down to the cold pressure."
    )


def _fill_outside_range(one: Caution, shown: Shown) -> str:
    low, high = shown.pressure(one["low"]), shown.pressure(one["high"])
    return (
        f"The filling pressure of {shown.pressure(one['fill'])} is outside {low} to {high}: below, the tank "
        "holds too little reserve; above, a full heat-up passes the highest pressure. Fill to the pressure "
        "given above, cold and vented, or take a larger tank."
    )


def _near_relief(which: str, way_out: str) -> Told:
    def told(one: Caution, shown: Shown) -> str:
        return (
            f"With {which} a full recovery without a draw comes to {peak(one['peak'], shown)}, over 90 % of "
            f"the relief setting of {shown.pressure(one['relief'])}: the valve may drip, and a valve that drips "
            f"often no longer shuts tight. {way_out} Do not plug the valve or raise its setting."
        )

    return told


def _above_highest(which: str, way_out: str) -> Told:
    def told(one: Caution, shown: Shown) -> str:
        return (
            f"With {which} a full recovery without a draw comes to {peak(one['peak'], shown)}, above the "
            f"highest pressure of {shown.pressure(one['highest'])}. {way_out}"
        )

    return told


def _smaller_than_present(one: Caution, shown: Shown) -> str:
    present = shown.plate(one["present"])
    return (
        f"By calculation {shown.volume(one['exact'], up=True)} would do, but the tank that is there has "
        f"{present}: never replace it by a smaller one. Whoever chose it may have known of water that is "
        "missing here."
    )


def _more_than_half_full(one: Caution, shown: Shown) -> str:
    return (
        f"At the highest pressure the tank holds {shown.volume(one['water'])} of water, more than half of its "
        f"{shown.volume(one['volume'], nominal=True)}: the diaphragm is stretched far each time. Check that "
        "the maker allows that much, or take a larger tank."
    )


def _relief_setting_high(one: Caution, shown: Shown) -> str:
    return (
        f"A relief setting of {shown.pressure(one['relief'])} is above the {shown.pressure(one['most'])} that "
        "valves of water heaters have at most: read the plates of valve and heater again. A valve set above "
        "what the heater is rated for has to be replaced by a licensed plumber before anything else."
    )


def _hot_at_valve(one: Caution, shown: Shown) -> str:
    return (
        f"At {shown.temperature(one['hot'])} the temperature part of a relief valve opens (it does so at "
        f"{shown.temperature(one['most'])} at the latest): store the water cooler. It scalds long before."
    )


_REMEDY: Final = (
    "If its air charge is not the one above, pump it to that; else replace it by the tank to fit."
)

TEXTS: Final[Mapping[str, Told]] = {
    "supply-above-limit": _supply_above_limit,
    "precharge-above-supply": _precharge_above_supply,
    "fill-outside-range": _fill_outside_range,
    "advised-peak-near-relief": _near_relief(
        "the tank to fit", "Take a larger tank, or bring the cold pressure down."
    ),
    "present-peak-near-relief": _near_relief("the tank that is there", _REMEDY),
    "advised-peak-above-highest": _above_highest(
        "the tank to fit", "Take a larger tank, or bring the air charge to the cold pressure."
    ),
    "present-peak-above-highest": _above_highest("the tank that is there", _REMEDY),
    "smaller-than-present": _smaller_than_present,
    "more-than-half-full": _more_than_half_full,
    "relief-setting-high": _relief_setting_high,
    "hot-at-valve": _hot_at_valve,
}
