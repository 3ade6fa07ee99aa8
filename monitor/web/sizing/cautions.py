"""What each caution of a sizing means and what to do about it. Keyed by the codes of `monitor.sizing`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from monitor.sizing.result import Caution
from monitor.web.sizing.shown import Shown

_MOST: Final = 2.5e6  # Pa: relief valves are set no higher
_OPENS: Final = 98.9  # °C, 210 °F: temperature relief of water heaters (ANSI Z21.22)
Told = Callable[[Caution, Shown], str]


def caution(one: Caution, shown: Shown) -> str:
    """Return a caution in a sentence or two, in the reader's units."""
    return TEXTS[one.code](one, shown)


def peak(pascal: float, shown: Shown) -> str:
    """Return a peak in words; where next to nothing takes up the growth no number is meant."""
    return shown.pressure(pascal) if pascal <= _MOST else "more than any system holds"


def _supply_above_limit(one: Caution, shown: Shown) -> str:
    line, limit = shown.pressure(one["supply"]), shown.pressure(one["limit"])
    reduced = dict(one.values).get("reduced")
    if reduced is None:
        return (
            f"The line is at {line}, above the limit of {limit}: have a licensed plumber fit a pressure reducing "
            "valve set below the limit. Then size again with the pressure behind it; a larger tank is no substitute."
        )
    return (
        f"Every figure here, air charge and peaks too, holds only behind a pressure reducing valve set to "
        f"{shown.pressure(reduced)}: the line is at {line}, and its limit, growth included, is {limit}. Have a "
        "licensed plumber fit the valve first; a larger tank is no substitute."
    )


def _little_room(one: Caution, shown: Shown) -> str:
    return (
        f"The line at {shown.pressure(one['supply'])} leaves little room under {shown.pressure(one['highest'])}, so "
        f"the tank has to be large. Behind a pressure reducing valve set to {shown.pressure(one['reduced'])} one of "
        f"{shown.volume(one['exact_reduced'], up=True)} would do: ask a licensed plumber which suits, and size again "
        "with the pressure behind the valve."
    )


def _precharge_above_supply(one: Caution, shown: Shown) -> str:
    return (
        f"An air charge of {shown.pressure(one['precharge'])} is above the {shown.pressure(one['supply'])} that "
        "the tank sees when cold: the tank stays shut until the pressure has risen to its charge, and part of "
        "it is of no use. Let air out, with the water side relieved, down to the cold pressure."
    )


def _charge_above_fill(one: Caution, shown: Shown) -> str:
    return (
        f"An air charge of {shown.pressure(one['precharge'])} is above the filling pressure of "
        f"{shown.pressure(one['fill'])}: the tank holds no reserve, and takes no water before the pressure has risen "
        "to its charge. Fill to more than the charge, or let air out with the water side relieved; keep the charge "
        "above the weight of the water over the tank."
    )


def _charge_below_head(one: Caution, shown: Shown) -> str:
    return (
        f"An air charge of {shown.pressure(one['precharge'])} is below the {shown.pressure(one['head'])} with which "
        "the water of the loop stands on the tank: a part of the tank is full for good and takes no growth, which "
        "is counted here. Pump to more than that, with the water side relieved."
    )


def _fill_outside_range(one: Caution, shown: Shown) -> str:
    low, high = shown.pressure(one["low"]), shown.pressure(one["high"])
    return (
        f"The filling pressure of {shown.pressure(one['fill'])} is outside {low} to {high}: below, the tank "
        "holds too little reserve; above, a full heat-up passes the highest pressure. Fill to the pressure "
        "given above, cold and vented, or take a larger tank. Peaks, charge limits and weights here are for that "
        "pressure, not for the one that was given."
    )


def _highest_above_limit(one: Caution, shown: Shown) -> str:
    return (
        f"The highest pressure of {shown.pressure(one['highest'])} was asked for, and the line's limit is "
        f"{shown.pressure(one['limit'])}: ask who answers for the local code whether the growth may pass it, "
        "and whether every fixture is rated for more."
    )


def _highest_near_relief(one: Caution, shown: Shown) -> str:
    return (
        f"The highest pressure of {shown.pressure(one['highest'])} was asked for, over 90 % of the relief setting of "
        f"{shown.pressure(one['relief'])}: valves open a little early, and one that drips often no longer shuts "
        "tight. Ask for less, which takes a larger tank."
    )


def _plain(text: str) -> Told:
    return lambda _one, _shown: text


def _near_relief(which: str, way_out: str = "") -> Told:
    def told(one: Caution, shown: Shown) -> str:
        return (
            f"With {which} a full recovery without a draw comes to {peak(one['peak'], shown)}, over 90 % of "
            f"the relief setting of {shown.pressure(one['relief'])}: the valve may drip, and a valve that drips "
            f"often no longer shuts tight. Do not plug the valve or raise its setting.{way_out}"
        )

    return told


def _above_highest(which: str, way_out: str = "") -> Told:
    def told(one: Caution, shown: Shown) -> str:
        return (
            f"With {which} a full recovery without a draw comes to {peak(one['peak'], shown)}, above the "
            f"highest pressure of {shown.pressure(one['highest'])}.{way_out}"
        )

    return told


def _fit_too_small(one: Caution, shown: Shown) -> str:
    return (
        f"The tank of {shown.plate(one['fit'])} that was chosen is too small: at least "
        f"{shown.volume(one['exact'], up=True)} are needed. Do not fit it; take the next larger that is sold."
    )


def _smaller_than_present(one: Caution, shown: Shown) -> str:
    present = shown.plate(one["present"])
    return (
        f"{shown.volume(one['exact'], up=True)} would be less than the {present} of the tank that is there: never "
        "replace it by a smaller one. Whoever chose it may have known of water that is missing here."
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
        f"Water at {shown.temperature(one['hot'])} is near the point where the temperature part of a relief valve "
        f"opens ({shown.temperature(_OPENS)} at the latest), and thermostats overshoot: store it below "
        f"{shown.temperature(one['most'])}. It scalds long before."
    )


_LARGER: Final = " Take a larger tank, or bring the cold pressure down."

TEXTS: Final[Mapping[str, Told]] = {
    "supply-above-limit": _supply_above_limit,
    "little-room": _little_room,
    "highest-above-limit": _highest_above_limit,
    "highest-near-relief": _highest_near_relief,
    "relief-not-given": _plain(
        "Nothing here was compared with the relief valve, as its setting was not given: read it off the valve's "
        "plate and run again with --relief. It must be above the highest pressure."
    ),
    "precharge-above-supply": _precharge_above_supply,
    "charge-above-fill": _charge_above_fill,
    "charge-below-head": _charge_below_head,
    "fill-outside-range": _fill_outside_range,
    "advised-peak-near-relief": _near_relief("the tank to fit", _LARGER),
    "present-peak-near-relief": _near_relief("the tank that is there"),
    "advised-peak-above-highest": _above_highest(
        "the tank to fit", " Take a larger tank, or bring the air charge to the cold pressure."
    ),
    "present-peak-above-highest": _above_highest("the tank that is there"),
    "fit-too-small": _fit_too_small,
    "smaller-than-present": _smaller_than_present,
    "more-than-half-full": _more_than_half_full,
    "relief-setting-high": _relief_setting_high,
    "hot-at-valve": _hot_at_valve,
}
