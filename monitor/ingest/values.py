"""Values and time stamps from the wire: what they must be, and in which unit they become what they mean.

Strict on purpose: text is no number, true is no number, and nothing is guessed from its size.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final

import msgspec

from monitor import units
from monitor.errors import InputError, PayloadError
from monitor.ingest import limits
from monitor.readings import Point
from monitor.service.settings import ScaleTable, TopicTable

FUTURE_MOST: Final = 300.0
"""Seconds by which a device's clock may be ahead of ours."""
TIME_LEAST: Final = 1e9
"""September 2001: an earlier time stamp comes from a clock that nobody has set."""
_WORDS: Final = {"on": 1.0, "true": 1.0, "off": 0.0, "false": 0.0}
_PER_SECOND: Final = {"auto": 1.0, "s": 1.0, "ms": 1e3, "us": 1e6}
_HEATER_PLAIN: Final = frozenset({"", "0/1", "on/off"})
_SHOWN: Final = 60
_TIME_SHOWN: Final = 1e18  # no format makes a time of a larger number

# Fractions of the span of a live-zero signal (NAMUR NE 43): 3.8 mA and 20.5 mA bound the measuring range.
_NE43_LEAST, _NE43_MOST = (3.8 - 4.0) / 16.0, (20.5 - 4.0) / 16.0
# 3.6 mA and 21 mA announce a fault; the same fractions of other signals, such as 0.5-4.5 V, mean a broken or
# shorted wire there (own choice: no standard covers them).
_FAULT_LEAST, _FAULT_MOST = (3.6 - 4.0) / 16.0, (21.0 - 4.0) / 16.0


def show(raw: object) -> str:
    """Return a value as it may stand in a reason: short, and plain ASCII whatever the payload held."""
    try:
        text = ascii(raw)
    except (ValueError, RecursionError):  # an integer of thousands of digits, brackets in brackets
        text = f"a very long {type(raw).__name__}"
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def read_time(raw: object, entry: TopicTable, arrived: float) -> float:
    """Return a time stamp in epoch seconds; `PayloadError` if it is none or cannot be true."""
    if isinstance(raw, str) and entry.time_format in {"auto", "rfc3339"}:
        time = _rfc3339(raw)
    elif entry.time_format in _PER_SECOND:
        time = _number(raw, "time") / _PER_SECOND[entry.time_format]
    else:
        raise PayloadError(f"time {show(raw)} is no RFC 3339 text")
    hint = _other_format(raw, entry, arrived)
    if time < TIME_LEAST:
        cause = hint or "the clock of the device is not set"
        raise PayloadError(f"time {show(raw)} is before September 2001: {cause}")
    if time > arrived + FUTURE_MOST:
        hint = f"; {hint}" if hint else ""
        raise PayloadError(f"time {show(raw)} is more than 5 min ahead: check the clock of the device{hint}")
    return time


def _other_format(raw: object, entry: TopicTable, arrived: float) -> str:
    """Return the time format by which a number would be a time that can be true, as advice; else nothing."""
    if not isinstance(raw, (int, float)) or abs(raw) > _TIME_SHOWN:
        return ""
    for name, counted in (("s", "seconds"), ("ms", "milliseconds"), ("us", "microseconds")):
        if name != entry.time_format and TIME_LEAST <= raw / _PER_SECOND[name] <= arrived + FUTURE_MOST:
            return f'if it counts {counted}, set time_format = "{name}"'
    return ""


def _rfc3339(text: str) -> float:
    try:
        stamp = msgspec.convert(text, datetime)
    except msgspec.ValidationError as exc:
        raise PayloadError(f"time {show(text)} is no RFC 3339 text, like 2026-01-31T06:00:00Z") from exc
    if stamp.tzinfo is None:
        raise PayloadError(f"time {show(text)} has no UTC offset, like Z or +01:00")
    return stamp.timestamp()


def read_value(raw: object, unit: object, point: Point, entry: TopicTable, site_unit: str) -> float:
    """Return a value in the canonical unit of its point; `PayloadError` if it is none or cannot be true.

    Parameters
    ----------
    raw : object
        What stands in the payload.
    unit : object
        Unit named by the payload, None if it names none; then that of the entry or of the site counts.
    point, entry, site_unit
        What is measured, how the settings say to read it, and the unit of pressures at the site.
    """
    if point is Point.HEATER:
        return _heater(raw, unit, entry)
    number = _number(raw, str(point))
    try:
        if point is Point.PRESSURE:
            return _pressure(_kpa(number, _unit_name(unit, entry.unit or site_unit), entry.scale), raw)
        return _temperature(_celsius(number, _unit_name(unit, entry.unit or "degC"), entry.scale), raw)
    except InputError as exc:
        raise PayloadError(str(exc)) from exc


def _kpa(number: float, unit: str, scale: ScaleTable | None) -> float:
    if scale is not None:
        return _scaled(number, scale, "pressure") / units.KPA
    # the same rounding as in logs, so that both ways in give the same bits; kPa stays as it is
    return number * (units.to_si(1.0, unit) / units.KPA)


def _celsius(number: float, unit: str, scale: ScaleTable | None) -> float:
    if scale is not None:
        return _scaled(number, scale, "temperature")
    return units.to_si(number, unit, "temperature")


def _pressure(kpa: float, raw: object) -> float:
    least, most = limits.PRESSURE_LEAST_KPA, limits.PRESSURE_MOST_KPA
    if not least <= kpa <= most:
        raise PayloadError(
            f"pressure {show(raw)} is {kpa:.6g} kPa gauge, outside {least:g} to {most:g}: is the unit right?"
        )
    return kpa


def _temperature(celsius: float, raw: object) -> float:
    least, most = limits.TEMPERATURE_LEAST, limits.TEMPERATURE_MOST
    if not least <= celsius <= most:
        raise PayloadError(f"temperature {show(raw)} is {celsius:.6g} °C, outside {least:g} to {most:g}")
    return celsius


def _heater(raw: object, unit: object, entry: TopicTable) -> float:
    word = show_word(raw)
    if word in {text.lower() for text in entry.on or ()}:
        return 1.0
    if word in {text.lower() for text in entry.off or ()}:
        return 0.0
    if word in _WORDS:
        return _WORDS[word]
    if isinstance(raw, str):
        known = ", ".join(dict.fromkeys([*(entry.on or ()), *(entry.off or ()), *_WORDS]))
        raise PayloadError(
            f"heater {show(raw)} is text and no known word; known: {known}; "
            "more of them in on = [...] and off = [...] of its [[topics]] entry"
        )
    number = _number(raw, "heater")
    name = _unit_name(unit, entry.unit or "")
    try:
        watts = number if name in _HEATER_PLAIN else units.to_si(number, name, "power")
    except InputError as exc:
        raise PayloadError(str(exc)) from exc
    if not 0.0 <= watts <= limits.HEATER_MOST_W:
        raise PayloadError(f"heater {show(raw)} is outside 0 to {limits.HEATER_MOST_W:g} W")
    return watts


def show_word(raw: object) -> str:
    """Return text, a number or true/false as a lower-case word, for comparison with on and off words."""
    if isinstance(raw, str):
        return raw.strip().lower()
    return str(raw).lower() if isinstance(raw, (bool, int)) and abs(raw) < 1 << 63 else ""


def _unit_name(unit: object, default: str) -> str:
    if unit is None or unit == "":
        return default
    if not isinstance(unit, str):
        raise PayloadError(f"unit {show(unit)} is no text")
    return unit


def _number(raw: object, what: str) -> float:
    if isinstance(raw, str):
        raise PayloadError(f"{what} {show(raw)} is text, a number is needed")
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise PayloadError(f"{what} {show(raw)} is no number")
    try:
        number = float(raw)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PayloadError(f"{what} {show(raw)} is not finite")
    return number


def _scaled(signal: float, scale: ScaleTable, kind: str) -> float:
    """Return the quantity behind a raw signal; `PayloadError` where the signal announces a fault."""
    low, high, unit = scale.span
    share = (signal - low) / (high - low)
    shown = f"signal {signal:g} {unit}"
    if share <= _FAULT_LEAST:
        raise PayloadError(f"{shown}: wire break or sensor fault, the range is {scale.input}")
    if share >= _FAULT_MOST:
        raise PayloadError(f"{shown}: short circuit or sensor fault, the range is {scale.input}")
    if unit == "mA" and not _NE43_LEAST <= share <= _NE43_MOST:
        raise PayloadError(f"{shown}: outside the measuring range of 3.8 to 20.5 mA (NAMUR NE 43)")
    least, most = units.parse(scale.low, kind), units.parse(scale.high, kind)
    return least + share * (most - least)
