"""How one recipient is spoken to: language, units, time zone. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.alerting.people import OWN
from monitor.alerting.wording import DECIMALS, MONTHS
from monitor.diagnosis.words import sureness
from monitor.site import Site
from monitor.units import KPA, from_si, to_si

_NUMBER: Final = r"-?\d+(?:\.\d+)?"
_PRESSURE: Final = re.compile(
    rf"(?:({_NUMBER}) to )?({_NUMBER}) (psi|bar|kPa|MPa)\b(?: \(({_NUMBER}) to ({_NUMBER}), 90 % interval\))?"
)
_METRIC: Final = ("bar", "kPa", "MPa")
HOUR: Final = 3600.0
DAY: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Voice:
    """The words of a recipient. ``texts``: translations by their English text; empty: English."""

    texts: Mapping[str, str] = field(default_factory=dict)
    language: str = "en"
    units: str = OWN
    timezone: str = OWN

    def say(self, english: str, /, **values: object) -> str:
        """Return a sentence with its values; ``english`` is its key in the catalogue."""
        return self.texts.get(english, english).format(**values)

    def text(self, english: str) -> str:
        """Return a sentence without values."""
        return self.texts.get(english, english)

    @property
    def foreign(self) -> bool:
        """Tell whether what the diagnosis says, in English, is not in this language."""
        return self.language != "en"

    # ---- quantities

    def unit(self, site: Site) -> str:
        """Return the unit of pressures."""
        if self.units == "US":
            return "psi"
        return "bar" if self.units == "metric" and site.unit not in _METRIC else site.unit

    def pressure(self, kpa: float, site: Site) -> str:
        """Return a gauge pressure with its unit."""
        unit = self.unit(site)
        return f"{self._number(kpa * KPA, unit)} {unit}"

    def span(self, low_kpa: float, high_kpa: float, site: Site) -> str:
        """Return the bounds of a pressure."""
        low, high = self._number(low_kpa * KPA, self.unit(site)), self.pressure(high_kpa, site)
        return self.say("{low} to {high}", low=low, high=high)

    def both(self, value: float, site: Site, kind: str, metric: str, customary: str) -> str:
        """Return a quantity in metric units; in customary ones too where pressures are in psi."""
        first = f"{from_si(value, metric, kind):.3g} {metric}"
        second = f"{from_si(value, customary, kind):.3g} {customary}"
        if self.units == "US":
            return f"{second} ({first})"
        return f"{first} ({second})" if self.units == OWN and site.unit == "psi" else first

    def converted(self, words: str, site: Site) -> str:
        """Return what the diagnosis said in the unit of the site, with its pressures in that of the recipient."""
        unit = self.unit(site)
        return words if unit == site.unit else _PRESSURE.sub(lambda found: self._again(found, unit), words)

    def _again(self, found: re.Match[str], unit: str) -> str:
        first, last, old, low, high = found.groups()

        def number(text: str) -> str:
            return self._number(to_si(float(text), old), unit)

        text = f"{number(first)} to " if first else ""
        text += f"{number(last)} {unit}"
        return f"{text} ({number(low)} to {number(high)}, 90 % interval)" if low else text

    def _number(self, pascal: float, unit: str) -> str:
        return f"{from_si(pascal, unit):.{DECIMALS[unit]}f}"

    # ---- times

    def zone(self, site: Site) -> str:
        """Return the time zone in which times are told."""
        return site.timezone if self.timezone == OWN else self.timezone

    def day(self, time: float, zone: str) -> str:
        """Return the date of an instant."""
        local = _local(time, zone)
        if local is None:
            return self.say("an unknown date")
        month = self.text(MONTHS[local.month - 1])
        return self.say("{day} {month} {year}", day=local.day, month=month, year=local.year)

    def moment(self, time: float, zone: str) -> str:
        """Return an instant to the minute, with the zone's name."""
        local = _local(time, zone)
        if local is None:
            return self.say("an unknown time")
        name = local.tzname() or "UTC"
        # Zones without letters call themselves "+03".
        name = f"UTC{name}" if name[0] in "+-" else name
        return f"{self.day(time, zone)}, {local:%H:%M} {name}"

    def length(self, seconds: float) -> str:
        """Return a length of time in whole hours or days."""
        if seconds < 2 * DAY:
            return self.say("{count} hours", count=round(seconds / HOUR))
        return self.say("{count} days", count=round(seconds / DAY))

    def sure(self, probability: float) -> str:
        """Return a probability in words and per cent."""
        word, _, percent = sureness(probability).rpartition(" (")
        return f"{self.text(word)} ({percent}"


def _local(time: float, zone: str) -> datetime | None:
    """Return an instant in a time zone; None where it is no time at all, which must not stop an alert."""
    try:
        return datetime.fromtimestamp(time, ZoneInfo(zone))
    except (ValueError, OverflowError, OSError):
        return None
