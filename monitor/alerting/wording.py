"""Numbers, times and foreign text put into words that are safe to send anywhere."""

from __future__ import annotations

import unicodedata
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from monitor.units import KPA, from_si

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
"""Names of our own, because those of the C library change with the locale of the machine."""

DECIMALS: Final = {"psi": 0, "kPa": 0, "bar": 2, "mbar": 0, "MPa": 3, "Pa": 0}


def clean(text: str) -> str:
    r"""Return text on one line without control, format and direction characters.

    >>> clean("Mill\r\nBcc: x\x07  3")
    'Mill Bcc: x 3'
    """
    visible = "".join(" " if unicodedata.category(sign)[0] in "CZ" else sign for sign in text)
    return " ".join(visible.split())


def plain(text: str, instead: str) -> str:
    """Return text in ASCII, as titles need it; ``instead`` where nothing readable would be left.

    >>> plain("Zürich, Haus Ø", "zurich-1")
    'Zurich, Haus ?'
    >>> plain("東京", "tokyo-1")
    'tokyo-1'
    """
    parts = unicodedata.normalize("NFKD", clean(text))
    kept = "".join(sign for sign in parts if not unicodedata.combining(sign))
    ascii_text = kept.encode("ascii", "replace").decode()
    return ascii_text if any(sign.isalnum() for sign in ascii_text) else instead


def pressure(kpa: float, unit: str) -> str:
    """Return a gauge pressure in the unit of a site.

    >>> pressure(413.7, "psi")
    '60 psi'
    """
    return f"{from_si(kpa * KPA, unit):.{DECIMALS[unit]}f} {unit}"


def span(low_kpa: float, high_kpa: float, unit: str) -> str:
    """Return the bounds of a pressure in the unit of a site.

    >>> span(300.0, 350.0, "bar")
    '3.00 to 3.50 bar'
    """
    return f"{pressure(low_kpa, unit).split()[0]} to {pressure(high_kpa, unit)}"


def day(time: float, timezone: str) -> str:
    """Return the date of an instant in the time zone of a site.

    >>> day(1_767_225_600.0, "America/New_York")
    '31 December 2025'
    """
    local = _local(time, timezone)
    if local is None:
        return "an unknown date"
    return f"{local.day} {MONTHS[local.month - 1]} {local.year}"


def moment(time: float, timezone: str) -> str:
    """Return an instant to the minute in the time zone of a site, with the zone's name.

    >>> moment(1_767_225_600.0, "America/New_York")
    '31 December 2025, 19:00 EST'
    """
    local = _local(time, timezone)
    if local is None:
        return "an unknown time"
    zone = local.tzname() or "UTC"
    # Zones without letters call themselves "+03".
    zone = f"UTC{zone}" if zone[0] in "+-" else zone
    return f"{day(time, timezone)}, {local:%H:%M} {zone}"


def stamp(time: float) -> str:
    """Return an instant as RFC 3339 in UTC, to the microsecond where it has one.

    >>> stamp(1_767_225_600.0)
    '2026-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(time, UTC).isoformat().replace("+00:00", "Z")


def _local(time: float, timezone: str) -> datetime | None:
    """Return an instant in a time zone; None where it is no time at all, which must not stop an alert."""
    try:
        return datetime.fromtimestamp(time, ZoneInfo(timezone))
    except (ValueError, OverflowError, OSError):
        return None
