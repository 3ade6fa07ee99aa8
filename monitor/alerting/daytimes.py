"""Times of day on the wall clock of a time zone: quiet hours, and when a digest is due. Pure.

On the day on which a clock goes forward, a time of day that does not exist is taken as an hour later; where it goes
back, one that exists twice is the first.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

_WEEK: Final = 7


def at(day: date, minute: int, timezone: str) -> float:
    """Return the epoch seconds of a minute of a day on the clock of ``timezone``.

    >>> at(date(2026, 1, 1), 60, "UTC")
    1767229200.0
    """
    zone = ZoneInfo(timezone)
    return datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone).timestamp()


def quiet_until(quiet: tuple[int, int] | None, now: float, timezone: str) -> float | None:
    """Return when the quiet hours end in which ``now`` lies; None outside of them.

    >>> quiet_until((22 * 60, 7 * 60), at(date(2026, 1, 1), 23 * 60, "UTC"), "UTC") == at(
    ...     date(2026, 1, 2), 7 * 60, "UTC"
    ... )
    True
    """
    if quiet is None:
        return None
    first, last = quiet
    today = datetime.fromtimestamp(now, ZoneInfo(timezone)).date()
    for begins in (today - timedelta(days=1), today):
        ends = begins if first < last else begins + timedelta(days=1)
        end = at(ends, last, timezone)
        if at(begins, first, timezone) <= now < end:
            return end
    return None


def last_slot(minute: int, now: float, timezone: str, *, weekly: bool = False) -> float:
    """Return the latest instant up to ``now`` at which a clock showed ``minute`` (weekly: on a Monday)."""
    today = datetime.fromtimestamp(now, ZoneInfo(timezone)).date()
    for back in range(2 * _WEEK):
        day = today - timedelta(days=back)
        slot = at(day, minute, timezone)
        if slot <= now and (not weekly or day.weekday() == 0):
            return slot
    return now  # not reached: two weeks hold two Mondays


def next_slot(minute: int, now: float, timezone: str, *, weekly: bool = False) -> float:
    """Return the first instant after ``now`` at which a clock shows ``minute`` (weekly: on a Monday)."""
    today = datetime.fromtimestamp(now, ZoneInfo(timezone)).date()
    for ahead in range(2 * _WEEK):
        day = today + timedelta(days=ahead)
        slot = at(day, minute, timezone)
        if slot > now and (not weekly or day.weekday() == 0):
            return slot
    return now  # not reached
