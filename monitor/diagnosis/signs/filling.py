"""The water in a heating loop over weeks: filling pressure, less what temperature explains, less top-ups.

Each day gives one point. With the air A of the tank known, pressure p (absolute) says how much room the gas
has, A/p, and so how much water is in the tank; warmer water takes more room. A trend of the rest is water lost
or air lost. These differ in how the pressure answers to warming: with the gas at volume V it moves by p/V for
each litre. Lost air lets p fall and V alone, so that this slope falls with p; lost water lets V grow as well,
so that it falls with p squared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.samples import FloatArray

_DAYS: Final = 45
_NEEDED: Final = 8
_HOURS: Final = 16  # of a day
_MEMORY: Final = 2.0  # times the sd of independent days: weather lasts longer than one
_WATER_FIRST: Final = (
    0.9  # of loops that lose pressure lose water, the others air (common practice, no source)
)
_SPREAD: Final = 0.2  # least sd of the exponent


@dataclass(frozen=True, slots=True)
class Trend:
    """Water that went, top-ups added back [m³], its sd, over ``days``; ``water``: probability that it is no air.

    ``first`` and ``last``: mean pressures of the first and last three days [Pa absolute].
    """

    lost: float
    sd: float
    days: float
    first: float
    last: float
    water: float
    exponent: float
    measured: bool
    since: float


class Filling:
    """Days of a loop: time, pressure, temperature, duty, swing of the cycles, water added so far."""

    def __init__(self) -> None:
        self._hours: list[tuple[float, ...]] = []
        self._days: list[tuple[float, ...]] = []
        self.added, self.times = 0.0, 0
        self._added = 0.0  # up to the last day

    def hour(self, at: float, p: float, temperature: float, duty: float, swing: float) -> bool:
        """Take the means of an hour and its ``swing``, pressure absolute [Pa]; return whether a day is complete."""
        day = math.floor(at / 86400.0)
        full = bool(self._hours) and math.floor(self._hours[0][0] / 86400.0) != day
        if full:
            self._close()
        self._hours.append((at - 1.0, p, temperature, duty, swing))
        return full

    def _close(self) -> None:
        hours, self._hours = np.array(self._hours), []
        if len(hours) < _HOURS:
            return
        p, warm = hours[:, 1], hours[:, 2]
        known = np.isfinite(warm)
        measured = np.count_nonzero(known) >= _HOURS
        # The swing of the burner's cycles stands for the slope: their temperatures differ by a constant.
        heated = hours[:, 3] > 0.05
        slope = float(hours[heated, 4].mean()) if np.count_nonzero(heated) >= _HOURS // 2 else math.nan
        if self.added != self._added:  # a day with a step in it has no slope
            self._added, slope = self.added, math.nan
        mean = float(warm[known].mean()) if measured else math.nan
        row = (float(hours[0, 0]), float(p.mean()), mean, float(hours[:, 3].mean()), slope, self.added)
        self._days = [*self._days[1 - _DAYS :], row]

    def add(self, volume: float) -> None:
        """Take note of water let in (taken out where negative). [m³]."""
        self.added += volume
        self.times += 1 if volume > 0.0 else -1 if volume < 0.0 else 0

    def clear(self) -> None:
        """Forget all days: somebody worked on the loop."""
        self._hours, self._days, self.added, self.times, self._added = [], [], 0.0, 0, 0.0

    def trend(self, air: float, swelling: FloatArray) -> Trend | None:
        """Return the trend for a tank of ``air`` [J]; ``swelling``: volume gained from 1 °C to 1, 2, 3 ... °C [m³]."""
        if len(self._days) < _NEEDED:
            return None
        time, p, warm, duty, slope, added = np.array(self._days).T
        measured = bool(np.isfinite(warm).all())
        # What explains a day besides time: how warm the water was, or how much it was heated.
        cause = np.interp(warm, np.arange(1.0, len(swelling) + 1.0), swelling) if measured else duty
        days = (time - time[0]) / 86400.0
        inside = -air / p - added
        base = np.column_stack([np.ones_like(days), cause - cause.mean(), days - days.mean()])
        if np.ptp(cause) < 1e-9:
            base = base[:, [0, 2]]
        found, *_ = np.linalg.lstsq(base, inside, rcond=None)
        left = inside - base @ found
        spread = float(left @ left) / max(len(days) - base.shape[1], 1)
        cover = np.linalg.pinv(base.T @ base)
        span = float(days[-1])
        water, exponent = _water(p, slope)
        return Trend(
            lost=-float(found[-1]) * span,
            sd=_MEMORY * math.sqrt(spread * float(cover[-1, -1])) * span,
            days=span,
            first=float(p[:3].mean()),
            last=float(p[-3:].mean()),
            water=water,
            exponent=exponent,
            measured=measured,
            since=float(time[0]),
        )


def _water(p: FloatArray, slope: FloatArray) -> tuple[float, float]:
    """Return the probability of lost water against lost air, and the exponent of the slope over pressure."""
    keep = np.isfinite(slope) & (slope > 0.0)
    if np.count_nonzero(keep) < _NEEDED or np.ptp(np.log(p[keep])) < 0.02:
        return _WATER_FIRST, math.nan
    x, y = np.log(p[keep]), np.log(slope[keep])
    x = x - x.mean()
    exponent = float(x @ (y - y.mean()) / (x @ x))
    left = y - y.mean() - exponent * x
    sd = math.sqrt(float(left @ left) / (len(x) - 2) / float(x @ x)) + _SPREAD
    water, air = (math.exp(-0.5 * min(((exponent - e) / sd) ** 2, 60.0)) for e in (2.0, 1.0))
    odds = _WATER_FIRST * water / max(_WATER_FIRST * water + (1.0 - _WATER_FIRST) * air, 1e-30)
    return odds, exponent
