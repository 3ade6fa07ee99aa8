"""Numbers as the checks say them: in the site's unit, no more digits than are meant."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.site import Site
from monitor.units import from_si

_DECIMALS: Final = {"psi": 1, "kPa": 0, "bar": 2, "MPa": 3}


@dataclass(frozen=True, slots=True)
class Voice:
    """Puts pressures [Pa], lengths of time [s] and instants into the words of one site."""

    site: Site

    def pressure(self, pascal: float) -> str:
        """Return a gauge pressure with its unit."""
        return f"{from_si(pascal, self.site.unit):.{_DECIMALS.get(self.site.unit, 1)}f} {self.site.unit}"

    def small(self, pascal: float) -> str:
        """Return a difference of pressure with two digits that count."""
        value = from_si(pascal, self.site.unit)
        return f"{float(f'{value:.2g}'):g} {self.site.unit}"

    def moment(self, time: float) -> str:
        """Return day and minute in the site's time zone."""
        local = datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(self.site.timezone))
        return f"{local.day} {local:%B %Y, %H:%M %Z}"


def lasting(seconds: float) -> str:
    """Return a length of time in one unit.

    >>> lasting(10.0), lasting(90.0), lasting(600.0), lasting(5400.0), lasting(86400.0)
    ('10 s', '90 s', '10 min', '1.5 h', '24 h')
    """
    if seconds < 120.0:
        return f"{float(f'{seconds:.2g}'):g} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{float(f'{seconds / 3600.0:.2g}'):g} h"


def percent(share: float) -> str:
    """Return a share in per cent; what is not all is never 100 %, what is not nothing never 0 %.

    >>> percent(0.5), percent(0.999), percent(0.001), percent(1.0)
    ('50 %', '99 %', '1 %', '100 %')
    """
    whole = round(100.0 * share)
    if 0.0 < share < 1.0:
        whole = min(max(whole, 1), 99)
    return f"{whole} %"


def counted(number: int, one: str, many: str = "") -> str:
    """Return a count with its noun.

    >>> counted(1, "burn"), counted(3, "burn"), counted(0, "burn")
    ('1 burn', '3 burns', 'no burns')
    """
    return f"{number or 'no'} {one if number == 1 else many or one + 's'}"
