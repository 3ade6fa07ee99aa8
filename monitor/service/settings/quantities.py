"""Field types for settings: quantities with units and the ranges in which they are plausible.

The ranges are wide, there to catch a wrong unit or a slipped digit, not to judge an installation.
"""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BeforeValidator

from monitor import units
from monitor.errors import InputError
from monitor.service.settings.mixtures import read_mixture
from monitor.service.settings.problems import closest, refuse
from monitor.site import Antifreeze

T = TypeVar("T")

_EFFICIENCY_MOST = 1.1  # a condensing heater, by the lower heating value of its fuel
_SITE_ID = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}")
_REFERENCE = re.compile(
    r"\s*(\S{0,20}[0-9.])\s*(psi|bar|kPa|MPa)\s*\(?([ag])(?:bs|uge)?\.?\)?\s*", re.IGNORECASE
)
_SPELT = {unit.lower(): unit for unit in units.PRESSURE}


def quantity(kind: str, low: str, high: str, hint: str = "") -> Callable[[object], float]:
    """Return a validator that reads a quantity of ``kind`` within ``low`` to ``high`` into SI."""
    least, most = units.parse(low, kind), units.parse(high, kind)

    def read(text: object) -> float:
        try:
            value = units.parse(text, kind)
        except InputError as exc:
            raise refuse(str(exc) + (_gauge_meant(text) if kind == "pressure" else "")) from exc
        if not least <= value <= most:
            raise refuse(f"allowed: {low} to {high}{hint}")
        return value

    return read


def _gauge_meant(text: object) -> str:
    """Return what to write where a unit says gauge or absolute, as in "60 psig"."""
    match = _REFERENCE.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        return ""
    number, unit, reference = match.groups()
    if reference.lower() == "g":
        return f'; all pressures are gauge: write the unit alone, "{number} {_SPELT[unit.lower()]}"'
    return (
        "; all pressures are gauge, as a pressure gauge shows them: take off the air pressure outside, about 14.7 psi "
        f"or 1.01 bar, and write the unit alone, {_SPELT[unit.lower()]}"
    )


_GAUGE = "; pressures are gauge: is the unit right (psi, bar, kPa, MPa)?"

ChargePressure = Annotated[float, BeforeValidator(quantity("pressure", "0 bar", "20 bar", _GAUGE))]
SupplyPressure = Annotated[float, BeforeValidator(quantity("pressure", "0.1 bar", "20 bar", _GAUGE))]
ReliefPressure = Annotated[float, BeforeValidator(quantity("pressure", "0.5 bar", "25 bar", _GAUGE))]
SensorPressure = Annotated[float, BeforeValidator(quantity("pressure", "-1.01325 bar", "100 bar", _GAUGE))]
WaterVolume = Annotated[float, BeforeValidator(quantity("volume", "1 L", "200 m3"))]
TankVolume = Annotated[
    float, BeforeValidator(quantity("volume", "0.1 L", "50 m3", ": the whole tank, as on its plate"))
]
HeaterInput = Annotated[float, BeforeValidator(quantity("power", "50 W", "20 MW"))]
Setpoint = Annotated[float, BeforeValidator(quantity("temperature", "20 degC", "99 degC"))]
LoopHeight = Annotated[float, BeforeValidator(quantity("length", "0 m", "150 m"))]
Altitude = Annotated[float, BeforeValidator(quantity("length", "-500 m", "5000 m"))]


def _efficiency(value: object) -> float:
    if isinstance(value, (int, float)) and not isinstance(value, bool) and 0 < value <= _EFFICIENCY_MOST:
        return float(value)
    raise refuse(
        f"allowed: a number above 0 and up to {_EFFICIENCY_MOST:g}, without quotes; 77 % is written 0.77"
    )


def _mixture(text: object) -> Antifreeze:
    try:
        return read_mixture(text)
    except InputError as exc:
        raise refuse(str(exc)) from exc


def _site_id(text: str) -> str:
    if not _SITE_ID.fullmatch(text):
        raise refuse(
            "allowed: 1 to 64 letters (a-z, A-Z), digits, '-', '_' and '.', not starting with '.'; "
            "it is part of topics, addresses and file names"
        )
    return text


def _timezone(text: str) -> str:
    known = zoneinfo.available_timezones()
    if text not in known:
        raise refuse(
            f"allowed: a name of the IANA time zone database, like 'Europe/London'{closest(text, known)}"
        )
    return text


def not_empty(items: tuple[T, ...]) -> tuple[T, ...]:
    """Return ``items``; a list without any is refused."""
    if not items:
        raise refuse("allowed: a list of at least one; leave the key out otherwise")
    return items


def _label(text: str) -> str:
    if len(text) > 200 or not text.isprintable():
        raise refuse("allowed: at most 200 printable characters")
    return text


SiteId = Annotated[str, AfterValidator(_site_id)]
TimeZone = Annotated[str, AfterValidator(_timezone)]
Efficiency = Annotated[float, BeforeValidator(_efficiency)]
Mixture = Annotated[Antifreeze, BeforeValidator(_mixture)]
Label = Annotated[str, AfterValidator(_label)]
