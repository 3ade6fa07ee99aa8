"""Numbers and times as people read them: in the site's unit and time zone, no more digits than are meant."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor import units
from monitor.diagnosis.report import ChargeEstimate, Forecast

MINUTE: Final = 60.0
HOUR: Final = 3600.0
DAY: Final = 86400.0

_DECIMALS: Final = {"psi": 1, "bar": 2, "kPa": 0, "MPa": 3}
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def in_unit(kpa: float, unit: str) -> float:
    """Return a pressure given in kPa as a number of ``unit``."""
    return units.from_si(kpa * units.KPA, unit)


def pressure(kpa: float, unit: str, *, bare: bool = False) -> str:
    """Return a pressure in words.

    >>> pressure(413.685, "psi"), pressure(413.685, "bar", bare=True)
    ('60.0 psi', '4.14')
    """
    number = f"{in_unit(kpa, unit):.{_DECIMALS.get(unit, 1)}f}"
    return number if bare else f"{number} {unit}"


def air(estimate: ChargeEstimate, unit: str) -> str:
    """Return the air charge as a gauge shows it: none shows less than zero.

    >>> air(ChargeEstimate(0.0, -12.0, -20.0, -4.0), "bar"), air(ChargeEstimate(0.0, 300.0, 250.0, 350.0), "bar")
    ('0 bar', '3.00 bar')
    """
    return f"0 {unit}" if _nothing(estimate.kpa, unit) else pressure(estimate.kpa, unit)


def charge(estimate: ChargeEstimate, unit: str) -> str:
    """Return the air charge with its interval: ``52.1 psi (48.0 to 55.9)``."""
    return f"{air(estimate, unit)} ({interval(estimate, unit)})"


def interval(estimate: ChargeEstimate, unit: str) -> str:
    """Return the interval of an air charge, without its unit: ``48.0 to 55.9``."""
    if _nothing(estimate.high_kpa, unit):
        return "a gauge would read nothing"
    low, high = (
        "0" if _nothing(value, unit) else pressure(value, unit, bare=True)
        for value in (estimate.low_kpa, estimate.high_kpa)
    )
    return f"{low} to {high}"


def _nothing(kpa: float, unit: str) -> bool:
    """Tell whether a gauge pressure is zero to the digits that are shown, or less."""
    return kpa <= 0 or float(pressure(kpa, unit, bare=True)) == 0


def local(time: float, timezone: str) -> datetime:
    """Return an instant on the site's wall clock."""
    return datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(timezone))


def date(time: float, timezone: str) -> str:
    """Return the day of an instant: ``3 Mar 2026``."""
    when = local(time, timezone)
    return f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def moment(time: float, timezone: str) -> str:
    """Return an instant: ``3 Mar 2026, 14:05 GMT``.

    >>> moment(0.0, "Europe/London")
    '1 Jan 1970, 01:00 BST'
    """
    when = local(time, timezone)
    return f"{date(time, timezone)}, {when:%H:%M %Z}"


def span(seconds: float) -> str:
    """Return a length of time in one unit, or two where one would be coarse.

    >>> span(40), span(5 * 60), span(26 * 3600), span(12.2 * 86400)
    ('less than a minute', '5 min', '26 h', '12 days')
    """
    if seconds < MINUTE:
        return "less than a minute"
    if seconds < HOUR:
        return f"{seconds / MINUTE:.0f} min"
    if seconds < 2 * DAY:
        return f"{seconds / HOUR:.0f} h"
    return f"{seconds / DAY:.0f} days"


def ago(time: float, now: float) -> str:
    """Return how long ago an instant was; a device's clock may run a little ahead of ours."""
    return f"{span(now - time)} ago" if now - time >= MINUTE else "just now"


def days_left(forecast: Forecast, now: float) -> str:
    """Return the time until the limit with its interval, in days: ``about 11 days (7 to 19)``."""
    if forecast.limit_date <= now:
        return "none"
    days = [math.floor(max(0.0, when - now) / DAY) for when in (forecast.limit_date, forecast.low)]
    far = forecast.high is None or forecast.high > now + 3650 * DAY
    high = "no date" if far or forecast.high is None else str(math.ceil((forecast.high - now) / DAY))
    return f"about {days[0]} {'day' if days[0] == 1 else 'days'} ({days[1]} to {high})"


def fault(code: str) -> str:
    """Return the name of a fault in words.

    >>> fault("air_charge_low")
    'Air charge low'
    """
    return code.replace("_", " ").capitalize()
