"""Quantities with units, as people write them in settings: ``"60 psi"``, ``"150 L"``, ``"54 degC"``.

Inside the program every quantity is SI (temperature in °C). Factors are those of NIST Special
Publication 811 (2008), appendix B, exact where that table prints them in bold.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError

KPA: Final = 1000.0
PSI: Final = 6894.757293168361
"""Pascals in one pound-force per square inch: 4.4482216152605 N / (0.0254 m)²; NIST SP 811 B.8."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Linear map to SI: ``si = value * factor + offset``."""

    factor: float
    offset: float = 0.0


PRESSURE: Final[Mapping[str, Unit]] = {
    "psi": Unit(PSI),
    "bar": Unit(1e5),
    "mbar": Unit(1e2),
    "kPa": Unit(1e3),
    "MPa": Unit(1e6),
    "Pa": Unit(1.0),
}
VOLUME: Final[Mapping[str, Unit]] = {
    "L": Unit(1e-3),
    "mL": Unit(1e-6),
    "m3": Unit(1.0),
    "gal": Unit(3.785411784e-3),  # US liquid gallon, 231 cubic inches
}
POWER: Final[Mapping[str, Unit]] = {
    "W": Unit(1.0),
    "kW": Unit(1e3),
    "MW": Unit(1e6),
    "Btu/h": Unit(0.29307107017222),  # International Table Btu
}
TEMPERATURE: Final[Mapping[str, Unit]] = {
    "degC": Unit(1.0),
    "°C": Unit(1.0),
    "degF": Unit(5.0 / 9.0, -160.0 / 9.0),
    "°F": Unit(5.0 / 9.0, -160.0 / 9.0),
}
LENGTH: Final[Mapping[str, Unit]] = {"m": Unit(1.0), "ft": Unit(0.3048)}
MASS: Final[Mapping[str, Unit]] = {"kg": Unit(1.0), "lb": Unit(0.45359237)}
"""The pound is the avoirdupois pound, exact."""
SHARE: Final[Mapping[str, Unit]] = {"%": Unit(0.01)}
DURATION: Final[Mapping[str, Unit]] = {
    "s": Unit(1.0),
    "min": Unit(60.0),
    "h": Unit(3600.0),
    "d": Unit(86400.0),
}

KINDS: Final[Mapping[str, Mapping[str, Unit]]] = {
    "pressure": PRESSURE,
    "volume": VOLUME,
    "power": POWER,
    "temperature": TEMPERATURE,
    "length": LENGTH,
    "mass": MASS,
    "share": SHARE,
    "duration": DURATION,
}

_QUANTITY = re.compile(r"\s*([-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*([^\s\d.+-]\S*)\s*")

_SAME: Final = {"l": "L", "ml": "mL"}
"""Both letters stand for the litre (SP 811, table 6); L is the one that is written here."""

_SHOWN: Final = 60
"""How many characters of a wrong value an error message repeats."""


def parse(text: object, kind: str) -> float:
    """Return the quantity written in ``text`` in SI units (temperature in °C).

    Parameters
    ----------
    text : object
        What the file holds; a string such as ``"60 psi"`` is expected.
    kind : str
        A key of ``KINDS``.

    Raises
    ------
    InputError
        If there is no number, no unit, an unknown unit or no finite value.

    Examples
    --------
    >>> parse("10 bar", "pressure")
    1000000.0
    >>> parse("212 degF", "temperature")
    100.0
    """
    units = KINDS[kind]
    allowed = ", ".join(units)
    example = next(iter(units))
    if not isinstance(text, str):
        raise InputError(
            f"{_shown(text)} is no {kind}: write a number and a unit in quotes, "
            f'like "1.5 {example}" ({allowed})'
        )
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise InputError(
            f'{_shown(text)} is no {kind}: write a number and a unit, like "1.5 {example}" ({allowed})'
        )
    number, name = match.groups()
    unit = units.get(name, units.get(_SAME.get(name, name)))
    if unit is None:
        raise InputError(
            f"unit {_shown(name)} in {_shown(text)} is not known for a {kind}: allowed are {allowed}"
        )
    value = float(number) * unit.factor + unit.offset
    if not math.isfinite(value):
        raise InputError(f"{_shown(text)} is too large for a {kind}")
    return value


def to_si(value: float, unit: str, kind: str = "pressure") -> float:
    """Return ``value`` given in ``unit`` in SI; `InputError` for a unit that ``kind`` does not have."""
    known = _unit(unit, kind)
    return value * known.factor + known.offset


def from_si(value: float, unit: str, kind: str = "pressure") -> float:
    """Return the SI ``value`` expressed in ``unit``; `InputError` for a unit that ``kind`` does not have."""
    known = _unit(unit, kind)
    return (value - known.offset) / known.factor


def _unit(name: str, kind: str) -> Unit:
    units = KINDS[kind]
    if name not in units:
        raise InputError(f"unit {_shown(name)} is not known for a {kind}: allowed are {', '.join(units)}")
    return units[name]


def _shown(value: object) -> str:
    """Return ``value`` as a message shows it: quoted, and cut where it would fill the screen."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
