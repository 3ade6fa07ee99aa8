"""What a sensor is used to: noise, dips of draws, rises of burns, level; and what of that has changed for good.

Each day is summed up in a few numbers. A plugged impulse line passes neither dips nor rises while the heater
burns as before: no valve and no tank hides draws. A level that leaps by the ratio of two pressure units, with
the rises in the same ratio, is a change of unit: a real change of pressure would change rises the other way.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import Final

import numpy as np

from monitor.estimation.burns import Burn
from monitor.estimation.noise import noise_of
from monitor.estimation.samples import Samples

_DAY: Final = 86400.0
_HOURS: Final = 24
_KEPT: Final = 7  # days
_LEARNED: Final = 3
_NOISE: Final = 10.0  # times the usual
_NOISE_LEAST: Final = 3e3  # Pa
_DIPS: Final = 8.0  # a day, of a line that people use
_DIP: Final = 4e3  # Pa
_BURNS: Final = 4
_HEAT: Final = 0.6  # of the usual seconds of heat: people are at home
_SHRUNK: Final = 0.5
_VANISHED: Final = 0.1
UNITS: Final = (6.894757, 14.50377, 100.0, 10.0)
"""Ratios of pressure units: kPa to psi, psi to bar, kPa to bar, and a decimal point."""

_UNIT_WIDE: Final = 0.08
_RISES_WIDE: Final = 1.8
_UNIT_HOURS: Final = 12
_LEVELS: Final = 4
_LOUD: Final = 25e3  # Pa from row to row: of sound lines only those read once a minute come near, by day
_FAST_ROWS: Final = 180  # an hour
_LOUD_HOURS: Final = 2
_LOUD_SLOW: Final = 8
_MUTE_HOURS: Final = (12, 18, 24, 36)
_MUTE_BURNS: Final = 3
_MUTE_ASKED: Final = 7e3  # Pa: 1 psi, the coarsest step in use
_MUTE_SUM: Final = 80e3  # Pa: three heat-ups of four such steps, or more of less
_MUTE_MOVED: Final = 0.1  # of what heat should do
_MUTE_UNREST: Final = 300.0  # Pa between means of ten minutes; supplies have several times that
_TEN: Final = 600.0  # s


@dataclass(frozen=True, slots=True)
class Day:
    """One day: quietest noise [Pa], dips, burns, s of heat, median rise of a burn [Pa], median level [Pa]."""

    noise: float
    dips: int
    burns: int
    heat: float
    rise: float
    level: float
    hours: int


@dataclass(frozen=True, slots=True)
class Changed:
    """A habit that has changed: ``kind``, since when, value before and now."""

    kind: str
    since: float
    before: float
    now: float
    probability: float


@dataclass(slots=True)
class _Hour:
    at: float
    noise: float
    dips: int
    level: float
    rises: list[float] = field(default_factory=list)
    heat: float = 0.0
    rows: int = 0
    unrest: float = 0.0  # Pa: root mean square bend of means of ten minutes
    asked: list[float] = field(default_factory=list)  # Pa by which each burn should have moved the line


class Habits:
    """The last day by the hour, and up to seven days before it."""

    def __init__(self) -> None:
        self._hours: list[_Hour] = []
        self._days: list[Day] = []
        self._usual: Day | None = None
        self._rises: list[float] = []
        self._asked: list[float] = []
        self._heat = 0.0
        self._kept = 0
        self._last = np.nan  # Pa, of the hour before: a fall may cross the mark

    def hour(self, rows: Samples, at: float) -> None:
        """Take the rows of an hour."""
        p = rows.pressure * 1000.0
        if len(p) < _LEVELS:
            return
        falls = np.diff(p, prepend=self._last)
        self._last = float(p[-1])
        dips = int(np.count_nonzero(falls < -_DIP))
        now = _Hour(at, float(noise_of(p).sd), dips, float(np.median(p)), self._rises, self._heat)
        now.rows, now.unrest, now.asked = len(p), _unrest(rows), self._asked
        self._rises, self._asked, self._heat = [], [], 0.0
        self._hours.append(now)
        if len(self._hours) >= 2 * _HOURS:
            self._days = [*self._days[1 - _KEPT :], _day(self._hours[:_HOURS])]
            self._hours = self._hours[_HOURS:]
            self._usual = _usual(self._days)

    def burn(self, burn: Burn, expected: float) -> None:
        """Take a burn that should lift the line by ``expected`` [Pa]."""
        rows = burn.rows
        if len(rows) > 1:
            self._rises.append(1000.0 * float(np.quantile(rows.pressure, 0.95) - np.min(rows.pressure)))
            self._asked.append(expected)
            self._heat += float(np.sum(np.diff(rows.time)[rows.heater[1:] > 0.5]))

    def forget(self) -> None:
        """Begin anew: sensor or line are other ones."""
        self._hours, self._days, self._rises, self._asked, self._heat = [], [], [], [], 0.0
        self._usual = None

    def changed(self) -> Changed | None:
        """Return what has changed in the last day against the days before it, if it can only be the sensor."""
        usual = self._usual
        if usual is None or len(self._days) < _LEARNED or len(self._hours) < _UNIT_HOURS:
            return None
        found = self._unit(usual)
        if found is not None or len(self._hours) < _HOURS:
            return found
        return self._plugged(usual) or self._noisy()

    def loud(self) -> Changed | None:
        """Return a scatter that no water in a pipe has, hour after hour, whatever was before."""
        fast = bool(self._hours) and self._hours[-1].rows >= _FAST_ROWS
        last = self._hours[-(_LOUD_HOURS if fast else _LOUD_SLOW) :]
        if len(last) < (_LOUD_HOURS if fast else _LOUD_SLOW) or min(hour.noise for hour in last) < _LOUD:
            return None
        return Changed("loud", last[0].at, 0.0, min(hour.noise for hour in last), 0.96)

    def mute(self, at: float) -> Changed | None:
        """Return that a sensor shows neither draws, nor heat-ups, nor the unrest that every supply has."""
        for hours in _MUTE_HOURS:
            last = self._hours[-hours:]
            if len(last) < hours or at - last[0].at > 2.0 * hours * 3600.0:
                return None
            if any(hour.dips or hour.unrest > _MUTE_UNREST for hour in last):
                return None
            both = [pair for hour in last for pair in zip(hour.rises, hour.asked, strict=True)]
            asked = [expected for _, expected in both if expected >= _MUTE_ASKED]
            if len(asked) >= _MUTE_BURNS and sum(asked) >= _MUTE_SUM:
                moved = [rise for rise, expected in both if expected >= _MUTE_ASKED]
                if sum(moved) > _MUTE_MOVED * sum(asked):
                    return None
                return Changed("mute", last[0].at, median(asked), median(moved), 0.95)
        return None

    def _noisy(self) -> Changed | None:
        usual = min(day.noise for day in self._days)
        last = self._hours[-_HOURS:]
        least = min(hour.noise for hour in last)
        if least < max(_NOISE * max(day.noise for day in self._days), _NOISE_LEAST):
            return None
        return Changed("noise", last[0].at, usual, least, 0.96)

    def _plugged(self, usual: Day) -> Changed | None:
        last = self._hours[-_HOURS:]
        now = _day(last)
        if usual.dips < _DIPS or min(day.dips for day in self._days) < _SHRUNK * _DIPS:
            return None
        used = now.heat >= _HEAT * usual.heat and now.burns >= _BURNS
        if not used or now.dips > _VANISHED * usual.dips or now.rise > _SHRUNK * usual.rise:
            return None
        return Changed("plugged", last[0].at, usual.rise, now.rise, 0.96)

    def _unit(self, usual: Day) -> Changed | None:
        last = self._hours[-_UNIT_HOURS:]
        middle = median([hour.level for hour in last])
        if usual.level > 0.0 and abs(middle / usual.level - 1.0) < 0.5:  # the everyday case, at once
            return None
        levels = np.array([hour.level for hour in last])
        rises = [rise for hour in last for rise in hour.rises]
        if (
            usual.level <= 0.0
            or usual.rise <= 0.0
            or len(rises) < _LEARNED
            or min(rises) <= 0.0
            or np.min(levels) <= 0.0
        ):
            return None
        ratio = middle / usual.level
        for unit in (*UNITS, *(1.0 / unit for unit in UNITS)):
            near = np.abs(np.log(levels / (usual.level * unit))) <= _UNIT_WIDE
            rise = abs(np.log(median(rises) / usual.rise / unit)) <= np.log(_RISES_WIDE)
            if near.mean() >= 0.9 and rise and self._steady(usual.level):
                return Changed(f"unit x{unit:.4g}", last[0].at, usual.level, usual.level * ratio, 0.97)
        return None

    def _steady(self, level: float) -> bool:
        return all(abs(np.log(day.level / level)) < 2.0 * _UNIT_WIDE for day in self._days if day.level > 0.0)

    def usual_again(self, kind: str) -> bool:
        """Whether the last day is as days were before ``kind`` was found."""
        usual = self._usual
        if self._kept < _HOURS:
            return False
        if kind == "loud":
            return _day(self._hours[-_HOURS:]).noise < 0.5 * _LOUD
        if kind == "mute":
            return any(hour.dips or hour.unrest > 2.0 * _MUTE_UNREST for hour in self._hours[-_HOURS // 4 :])
        return usual is not None and self._as_usual(kind, usual)

    def _as_usual(self, kind: str, usual: Day) -> bool:
        now = _day(self._hours[-_HOURS:])
        if kind == "noise":
            return now.noise < 2.0 * usual.noise
        if kind == "plugged":
            return now.dips >= _SHRUNK * usual.dips
        return usual.level > 0.0 and abs(now.level / usual.level - 1.0) < _UNIT_WIDE

    def keep(self) -> None:
        """Hold the days as they are after an hour: what comes now is no habit."""
        self._hours = self._hours[-_HOURS:]
        self._kept += 1

    def found(self) -> None:
        """Start to wait for a day of usual hours."""
        self._kept = 0


def _unrest(rows: Samples) -> float:
    block = ((rows.time - rows.time[0]) // _TEN).astype(np.int64)
    count = np.bincount(block)
    means = np.bincount(block, weights=rows.pressure)[count > 0] * 1000.0 / count[count > 0]
    bends = np.diff(means, 2)
    return float(np.sqrt(np.mean(bends * bends))) if len(bends) > 1 else np.inf


def _day(hours: list[_Hour]) -> Day:
    rises = [rise for hour in hours for rise in hour.rises]
    return Day(
        sorted(hour.noise for hour in hours)[len(hours) // 4],
        sum(hour.dips for hour in hours),
        len(rises),
        sum(hour.heat for hour in hours),
        median(rises) if rises else 0.0,
        median([hour.level for hour in hours]),
        len(hours),
    )


def _usual(days: list[Day]) -> Day:
    return Day(
        median([day.noise for day in days]),
        int(median([float(day.dips) for day in days])),
        int(median([float(day.burns) for day in days])),
        median([day.heat for day in days]),
        median([day.rise for day in days]),
        median([day.level for day in days]),
        len(days),
    )
