"""The units in which a sizing is shown, and no more digits than an engineer would write."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.sizing.case import Code
from monitor.units import KPA, from_si
from monitor.web import words

US_UNIT: Final = "psi"
"""Who reads pressures in psi reads gallons, °F, pounds and feet too."""

_NAMES: Final = {"degF": "°F", "degC": "°C"}


@dataclass(frozen=True, slots=True)
class Shown:
    """Units of one reader, by the unit of pressure: psi, bar, kPa or MPa."""

    unit: str

    @property
    def us(self) -> bool:
        """Whether the rest is in US customary units."""
        return self.unit == US_UNIT

    @property
    def code(self) -> Code:
        """Whose limits of pressure these units go with."""
        return Code.US if self.us else Code.EUROPE

    @property
    def volumes(self) -> str:
        """The unit of volume."""
        return "gal" if self.us else "L"

    def pressure(self, pascal: float) -> str:
        """Return a gauge pressure with its unit.

        >>> Shown("psi").pressure(413685.4), Shown("bar").pressure(-1.0)
        ('60.0 psi', '0.00 bar')
        """
        text = words.pressure(pascal / KPA, self.unit)
        return text.removeprefix("-") if float(text.split()[0]) == 0 else text

    def volume(self, cubic_metres: float, *, up: bool = False, nominal: bool = False) -> str:
        """Return a volume to three digits, rounded ``up`` where less would not do; a ``nominal`` one as sold."""
        number = from_si(cubic_metres, self.volumes, "volume")
        text = figure(number, 3, up=up)
        return f"{trimmed(text) if nominal else text} {self.volumes}"

    def plate(self, cubic_metres: float) -> str:
        """Return the volume of a tank that is there, also as its plate gives it if that is in other units.

        >>> Shown("psi").plate(8e-3), Shown("bar").plate(8e-3)
        ('2.11 gal (8 L)', '8 L')
        """
        text, other = (Shown(unit).volume(cubic_metres, nominal=True) for unit in (self.unit, self._other))
        return f"{text} ({other})" if len(other.split()[0]) < len(text.split()[0]) else text

    @property
    def _other(self) -> str:
        return "bar" if self.us else US_UNIT

    def temperature(self, celsius: float) -> str:
        """Return a temperature to a tenth of a degree.

        >>> Shown("psi").temperature(60.0), Shown("bar").temperature(60.0)
        ('140 °F', '60 °C')
        """
        unit = "degF" if self.us else "degC"
        number = from_si(celsius, unit, "temperature")
        return f"{trimmed(f'{number:.1f}')} {_NAMES[unit]}"

    def mass(self, kilograms: float, *, up: bool = False) -> str:
        """Return a mass to three digits."""
        unit = "lb" if self.us else "kg"
        return f"{trimmed(figure(from_si(kilograms, unit, 'mass'), 3, up=up))} {unit}"

    def length(self, metres: float) -> str:
        """Return a height to a tenth."""
        unit = "ft" if self.us else "m"
        number = from_si(metres, unit, "length")
        return f"{trimmed(f'{number:.1f}')} {unit}"


def figure(value: float, digits: int, *, up: bool = False) -> str:
    """Return a number to so many digits, written out; what stands before the point is never rounded away.

    >>> figure(0.123449, 3), figure(0.12301, 3, up=True), figure(12345.6, 3)
    ('0.123', '0.124', '12346')
    """
    if value == 0:
        return "0"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    if not up:
        return f"{value:.{places}f}"
    step = 10.0**places
    # What was in the last bits only must not cost a whole step.
    return f"{math.ceil(value * step * (1 - 1e-9)) / step:.{places}f}"


def trimmed(number: str) -> str:
    """Return a number without zeros at its end that say nothing.

    >>> trimmed("40.00"), trimmed("6.30"), trimmed("100"), trimmed("-0.0")
    ('40', '6.3', '100', '0')
    """
    text = number.rstrip("0").rstrip(".") if "." in number else number
    return "0" if text in {"-0", ""} else text
