"""General alternatives on the rise of each burner cycle, each with the settings that it may be tuned to.

A rule takes what it may see of one plant and one setting, and gives the day of its first alarm. All alarm on
the side of a lost cushion only (steeper rises), which is more than the bare libraries do.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from tests.plants.trace import FloatArray

BASE: Final = 20
"""Cycles from which a plant's own mean and spread are learnt before a rule may alarm."""


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Burns without a draw: day of the end, absolute pressures before and after [kPa], growth by heat [mL].

    ``tops``: highest pressure of each day [kPa gauge]; ``relief``: the setting of the relief valve [kPa gauge].
    """

    day: FloatArray
    before: FloatArray
    after: FloatArray
    growth: FloatArray
    tops: FloatArray
    relief: float

    @property
    def rise(self) -> FloatArray:
        """Return the rise over the growth [kPa/mL]."""
        return (self.after - self.before) / self.growth

    @property
    def air(self) -> FloatArray:
        """Return mL x p1 x p2 / rise: the air of an isothermal cushion [kPa mL]."""
        return self.growth * self.before * self.after / (self.after - self.before)

    @property
    def standard(self) -> FloatArray:
        """Return log rises in deviations from the mean of the first `BASE`, all 0 where there are no more."""
        value = np.log(self.rise)
        if len(value) <= BASE:
            return np.zeros(len(value))
        first = value[:BASE]
        return np.asarray((value - first.mean()) / max(float(first.std(ddof=1)), 1e-3))


Rule = Callable[[Cycles, Any], float | None]


def _first(days: FloatArray, alarms: np.ndarray) -> float | None:
    return float(days[np.argmax(alarms)]) if alarms.any() else None


def fixed_limit(cycles: Cycles, share: float) -> float | None:
    """Alarm in the evening of the first day on which the line passed ``share`` of the relief setting."""
    return _first(np.arange(1.0, len(cycles.tops) + 1.0), cycles.tops > share * cycles.relief)


def z_score(cycles: Cycles, setting: tuple[float, int]) -> float | None:
    """Alarm where the rise is so many deviations over the mean of the cycles before, twice running."""
    limit, window = setting
    rise = np.log(cycles.rise)
    high = np.zeros(len(rise), bool)
    for i in range(10, len(rise)):
        past = rise[max(i - window, 0) : i]
        high[i] = rise[i] > past.mean() + limit * max(float(past.std()), 1e-3)
    return _first(cycles.day[1:], high[1:] & high[:-1])


def cusum(cycles: Cycles, setting: tuple[float, float]) -> float | None:
    """Alarm where the upper tabular CUSUM with slack ``k`` passes ``h``; both in deviations."""
    slack, limit = setting
    level = 0.0
    for day, value in zip(cycles.day[BASE:], cycles.standard[BASE:], strict=True):
        level = max(0.0, level + value - slack)
        if level > limit:
            return float(day)
    return None


def adwin(cycles: Cycles, setting: tuple[float, float]) -> float | None:
    """Alarm where river's ADWIN has cut its window and what is left is so many deviations steeper."""
    delta, lift = setting
    drift = importlib.import_module("river.drift")
    # The shortest windows that it takes: a plant has a few cycles a day, not thousands a second.
    detector = drift.ADWIN(delta=delta, clock=1, min_window_length=5, grace_period=10)
    for day, value in zip(cycles.day, cycles.standard, strict=True):
        detector.update(float(value))
        if detector.drift_detected and detector.estimation > lift:
            return float(day)
    return None


def page_hinkley(cycles: Cycles, setting: tuple[float, float]) -> float | None:
    """Alarm where river's Page-Hinkley test finds an upward drift; both numbers in deviations."""
    drift = importlib.import_module("river.drift")
    detector = drift.PageHinkley(min_instances=BASE, delta=setting[0], threshold=setting[1], mode="up")
    for day, value in zip(cycles.day, cycles.standard, strict=True):
        detector.update(float(value))
        if detector.drift_detected:
            return float(day)
    return None


def pelt(cycles: Cycles, penalty: float) -> float | None:
    """Alarm in the evening on which ruptures' PELT splits the cycles so far and the last part is steeper."""
    ruptures = importlib.import_module("ruptures")
    value = cycles.standard
    for evening in range(1, len(cycles.tops) + 1):
        now = int(np.searchsorted(cycles.day, evening))
        if now <= BASE:
            continue
        # The linear kernel makes this PELT with the least-squares cost, in C.
        search = ruptures.KernelCPD(kernel="linear", min_size=4).fit(value[:now].reshape(-1, 1))
        ends = [0, *search.predict(pen=penalty)]
        if len(ends) > 2 and value[ends[-2] : now].mean() > value[: ends[1]].mean():
            return float(evening)
    return None


def frozen_baseline(cycles: Cycles, share: float) -> float | None:
    """Alarm where the 3-day median of the air is ``share`` below that of the first 5 days with 8 cycles."""
    if len(cycles.day) < 10:
        return None
    base = cycles.day < max(float(cycles.day[0]) + 5.0, float(cycles.day[7]))
    level = float(np.median(cycles.air[base]))
    for i in np.flatnonzero(~base):
        recent = cycles.air[(cycles.day > cycles.day[i] - 3.0) & (cycles.day <= cycles.day[i])]
        if len(recent) >= 4 and float(np.median(recent)) < (1.0 - share) * level:
            return float(cycles.day[i])
    return None


@dataclass(frozen=True, slots=True)
class Alternative:
    """A rule, the library that it needs ("" none), the settings that were tried, and the one it was granted."""

    rule: Rule
    granted: Any
    tried: Sequence[Any]
    library: str = ""

    @property
    def missing(self) -> bool:
        """Whether its library is not installed."""
        if not self.library:
            return False
        try:
            importlib.import_module(self.library)
        except ImportError:
            return True
        return False


_STEPS: Final = tuple(float(x) for x in np.geomspace(2.0, 2000.0, 25).round(1))
_DELTAS: Final = (0.9999, 0.99, 0.9, 0.7, 0.5, 0.3, 0.1, 0.03, 0.01, 1e-3, 1e-5, 1e-8, 1e-15)
_SHARES: Final = tuple(float(x) for x in np.arange(0.10, 0.66, 0.025).round(3))

ALTERNATIVES: Final[dict[str, Alternative]] = {
    "fixed pressure limit": Alternative(
        fixed_limit, 0.82, tuple(float(x) for x in np.arange(0.4, 1.21, 0.02).round(2))
    ),
    "rolling z-score": Alternative(
        z_score,
        (2.5, 120),
        [(float(limit), window) for window in (15, 30, 60, 120) for limit in np.arange(1.0, 12.1, 0.5)],
    ),
    "CUSUM": Alternative(cusum, (0.5, 11.2), [(k, h) for k in (0.5, 1.0, 2.0) for h in _STEPS]),
    "ADWIN": Alternative(
        adwin, (0.7, 0.0), [(d, lift) for lift in (0.0, 0.5, 2.0) for d in _DELTAS], "river"
    ),
    "PageHinkley": Alternative(
        page_hinkley, (0.5, 8.4), [(k, h) for k in (0.5, 1.0, 2.0) for h in _STEPS], "river"
    ),
    "PELT": Alternative(pelt, 20.0, _STEPS, "ruptures"),
    "3-day median, frozen baseline": Alternative(frozen_baseline, 0.6, _SHARES),
    "the same, 25 % below": Alternative(frozen_baseline, 0.25, (0.25,)),
}
