"""When a falling air charge will reach a limit, with an interval."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from monitor.estimation.belief import AIR, DAY, RATE, Belief, normal_cdf
from monitor.estimation.samples import FloatArray

_CERTAIN: Final = 0.95  # probability of a fall before a date is named
_CHANGE: Final = 0.03  # ln: less than this since the reference is no trend
_FUTURE_WALK: Final = 0.003  # per day: how much a rate may yet change over the horizon
_HORIZON: Final = 1000.0  # days; beyond it a date means nothing

# Quantiles of the standard normal at the middles of 61 equal shares: a sample without chance.
_SHARES: Final = (np.arange(61) + 0.5) / 61


def falling(belief: Belief) -> float:
    """Return the probability that the air is falling, 0 where nothing has been lost since the reference."""
    if belief.reference_time is None:
        return 0.0
    change, change_sd = belief.change_since_reference()
    if change > -max(_CHANGE, 2.0 * change_sd):
        return 0.0
    rate, sd = belief.rate()
    return normal_cdf(-rate / sd)


def crossing(belief: Belief, air: float) -> tuple[float, float, float] | None:
    """Return median and 90 % interval (epoch s) of when the air falls below ``air`` [J].

    None where no fall is established or the median is beyond the horizon; the interval's end is infinite
    where the air may never get there.
    """
    if air <= 0.0 or falling(belief) < _CERTAIN or belief.mean[AIR] <= math.log(air):
        return None
    pair = belief.covariance[np.ix_([AIR, RATE], [AIR, RATE])] + np.diag([0.0, _FUTURE_WALK**2])
    root = np.linalg.cholesky(pair)
    normal = _normal_quantiles()
    first, second = np.meshgrid(normal, normal)
    level = belief.mean[AIR] + root[0, 0] * first
    rate = belief.mean[RATE] + root[1, 0] * first + root[1, 1] * second
    with np.errstate(divide="ignore"):
        days = np.where(rate < 0.0, (math.log(air) - level) / rate, np.inf)
    days = np.where(level <= math.log(air), 0.0, days)
    low, median, high = (float(x) for x in np.quantile(days, [0.05, 0.5, 0.95], method="nearest"))
    if median > _HORIZON:
        return None
    end = belief.time + high * DAY if high <= _HORIZON else math.inf
    return belief.time + median * DAY, belief.time + low * DAY, end


@lru_cache(maxsize=1)
def _normal_quantiles() -> FloatArray:
    """Invert the normal distribution function by bisection on the fixed shares."""
    low = np.full(len(_SHARES), -6.0)
    high = np.full(len(_SHARES), 6.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        below = np.array([normal_cdf(float(z)) for z in middle]) < _SHARES
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
