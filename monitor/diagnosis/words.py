"""The sentences of a finding: what is seen, since when, how sure, what to do first, cautions.

Plain words in the site's unit and time zone; the numbers behind them are in the finding's evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.rationale import rationale
from monitor.site import HeaterKind, Site
from monitor.units import from_si

CAUTION: Final = (
    "Water and pipes can scald, and parts are under pressure: switch the heater off, close its supply and "
    "relieve the water side before the tank is touched. Work on gas, on relief valves or on pressurised parts "
    "belongs to licensed trades; local codes come first."
)

_DECIMALS: Final = {"psi": 0, "kPa": 0, "bar": 1, "MPa": 2}


@dataclass(frozen=True, slots=True)
class Speaker:
    """Puts pressures and times into the words of one site."""

    site: Site

    def pressure(self, pascal: float) -> str:
        """Return a gauge pressure [Pa] with its unit."""
        return f"{self.number(pascal)} {self.site.unit}"

    def number(self, pascal: float) -> str:
        """Return a gauge pressure [Pa] without its unit."""
        return f"{from_si(pascal, self.site.unit):.{_DECIMALS[self.site.unit]}f}"

    def date(self, time: float) -> str:
        """Return a day in the site's time zone."""
        local = datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(self.site.timezone))
        return f"{local.day} {local:%B %Y}"

    def moment(self, time: float) -> str:
        """Return day and minute in the site's time zone."""
        local = datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(self.site.timezone))
        return f"{local.day} {local:%B %Y, %H:%M %Z}"

    def interval(self, low: float, middle: float, high: float) -> str:
        """Return an estimate [Pa] with its 90 % interval."""
        return f"{self.pressure(middle)} ({self.number(low)} to {self.number(high)}, 90 % interval)"


def sureness(probability: float) -> str:
    """Return a probability in words and per cent; never 100 %."""
    percent = min(int(probability * 100), 99)
    if percent >= 99:
        word = "practically certain"
    elif percent >= 95:
        word = "very likely"
    else:
        word = "likely"
    return f"{word} ({percent} %)"


def _aim(speaker: Speaker, target: float) -> str:
    """Return the charge that the tank should have, in words, and where that is from."""
    site, setting = speaker.site, speaker.pressure(target)
    if site.heater.kind is HeaterKind.LOOP:
        stated = site.precharge is not None or site.supply is not None
        source = "by the site file" if stated else "by how the loop is filled now: ask who designed it"
        return f"the charge that its system needs ({setting} {source})"
    source = "by the site file" if site.supply is not None else "where the line rests now: gauge it"
    return f"the supply pressure at the tank ({setting} {source})"


def action(fault: Fault, speaker: Speaker, target: float) -> str:
    """Return what to do first about ``fault`` where the charge should be ``target`` [gauge Pa]."""
    aim = _aim(speaker, target)
    own = {
        Fault.AIR_CHARGE_LOW: (
            f"Relieve the water side of the tank, gauge its air valve, refill with air to {aim}, look for a leaking "
            "air valve, and recheck in a week."
        ),
        Fault.AIR_CUSHION_LOST: (
            "Test on site: with the water side relieved, gauge the air valve and press its pin. Far above the supply "
            "pressure: let air out down to it. Water at the pin means a torn diaphragm: replace the tank, never by a "
            "smaller one; a tank full of water is heavy, support it. "
            f"Only air, or nothing: refill to {aim}, recheck in a week, and replace the tank if it has fallen again."
        ),
        Fault.RELIEF_DISCHARGING: (
            "Go and look today. Keep clear of the discharge pipe, the water is hot. Switch the heater off if the "
            "valve keeps discharging and call a licensed installer. Never plug or cap a relief valve, never raise "
            "its setting."
        ),
    }
    return own.get(fault) or rationale(fault.value).action
