"""Ticks of an axis: round numbers, and round times on the wall clock of a site."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from monitor.web import words

_STEPS: Final = (300, 900, 1800, 3600, 7200, 10800, 21600, 43200)
"""Steps within a day. [s]"""
_DAYS: Final = (1, 2, 7, 14)
_MONTHS: Final = (1, 3, 6, 12, 24, 60)

Tick = tuple[float, str]


def numbers(low: float, high: float, most: int) -> list[Tick]:
    """Return at most about ``most`` round numbers from ``low`` to ``high`` with their labels.

    >>> numbers(0.0, 10.0, 5)
    [(0.0, '0'), (2.0, '2'), (4.0, '4'), (6.0, '6'), (8.0, '8'), (10.0, '10')]
    """
    raw = max(high - low, 1e-9) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * (1 - 1e-9))
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]


def times(start: float, end: float, timezone: str, most: int) -> list[Tick]:
    """Return at most about ``most`` round instants from ``start`` to ``end`` with their labels."""
    length = (end - start) / most
    begin = words.local(start, timezone)
    step = next((step for step in _STEPS if step >= length), None)
    if step is not None:
        return [
            (when.timestamp(), _hour(when))
            for when in _within_days(begin, step, end)
            if when.timestamp() >= start
        ]
    days = next((days for days in _DAYS if days * words.DAY >= length), None)
    whens = _days(begin, days, end) if days is not None else _months(begin, length, end)
    return [
        (when.timestamp(), _day(when, months=days is None)) for when in whens if when.timestamp() >= start
    ]


def _within_days(begin: datetime, step: int, end: float) -> Iterator[datetime]:
    for midnight in _days(begin, 1, end):
        for second in range(0, int(words.DAY), step):
            when = midnight + timedelta(seconds=second)  # wall clock: on a day of 23 h no label is off
            if when.timestamp() <= end:
                yield when


def _days(begin: datetime, days: int, end: float) -> Iterator[datetime]:
    when = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    when -= timedelta(days=when.toordinal() % days)
    while when.timestamp() <= end:
        yield when
        when += timedelta(days=days)


def _months(begin: datetime, length: float, end: float) -> Iterator[datetime]:
    months = next((months for months in _MONTHS if months * 30.4 * words.DAY >= length), _MONTHS[-1])
    count = begin.year * 12 + begin.month - 1
    count -= count % months
    midnight = begin.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    while (when := midnight.replace(year=count // 12, month=count % 12 + 1)).timestamp() <= end:
        yield when
        count += months


def _hour(when: datetime) -> str:
    return _day(when) if when.hour == 0 and when.minute == 0 else f"{when:%H:%M}"


def _day(when: datetime, *, months: bool = False) -> str:
    name = words.MONTHS[when.month - 1]
    if not months:
        return f"{when.day} {name}"
    return str(when.year) if when.month == 1 else name
