"""What is believed of a cushion: the state that windows and visits change.

State, Gaussian: ln A (air), its rate of change per day, ln s (true over assumed heat: common to all
windows of a site), ln Ce (elasticity of the line), ln A at the reference (start, or last visit), and what
else all windows share: lag of the metal L [s], clocks apart C [s], gas that settles g sd slower than
assumed. Logarithms, because every other unknown here is a factor. Each window measures

    ln(growth) = ln(A (1/p1 - 1/p2) + Ce (p2 - p1)) - ln s - shared(L, C, g) + noise

by an iterated extended Kalman step; a gauge reading at a visit measures ln A itself and thereby s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray
from monitor.estimation.windows import Window

DAY: Final = 86_400.0
AIR, RATE, SCALE, ELASTIC, REFERENCE, LAG, LATE, GAS = range(8)
STATES: Final = 8

_AIR_PRIOR_SD: Final = 0.4
RATE_PRIOR_SD: Final = 0.02  # per day
_AIR_WALK: Final = 0.004  # per square root of a day: slow loss is smooth, temperature of the room is not
_RATE_WALK: Final = 0.0015  # per day, per square root of a day
_RATE_MEMORY: Final = 45.0  # days over which a rate is forgotten
_SCALE_WALK: Final = 0.002  # per square root of a day: cold-water season, thermostat
_ERRATIC: Final = 0.3
_UNTAUGHT: Final = 1000.0  # s: of lag and clocks the windows bring what burns have taught
_TIMING_WALK: Final = 3.0  # s, per square root of a day


@dataclass(frozen=True, slots=True)
class Jump:
    """A sudden change of the air: ratio of after over before, between two windows."""

    before: float
    at: float
    ratio: float


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed of the cushion at ``time``; never changed in place."""

    time: float
    mean: FloatArray
    covariance: FloatArray
    windows: int = 0
    last_window: float | None = None
    reference_time: float | None = None
    aside: tuple[Window, ...] = ()
    jumps: tuple[Jump, ...] = ()
    gauged: bool = False
    lean: float = 0.0  # smoothed surprise: whether windows keep falling on one side
    odd: float = 0.0  # smoothed share of windows that surprised beyond belief

    @property
    def air(self) -> float:
        """Median of the air. [J]."""
        return math.exp(self.mean[AIR])

    @property
    def elastic(self) -> float:
        """Median of the elasticity of the line. [m³/Pa]."""
        return math.exp(self.mean[ELASTIC])

    @property
    def erratic(self) -> bool:
        """Whether so many windows contradict the belief that something else than the cushion is at work."""
        return self.odd > _ERRATIC

    @property
    def contradicted(self) -> bool:
        """Whether the newest window looks much stiffer than believed, and no later one has said otherwise."""
        if not self.aside or self.windows == 0:
            return False
        return surprise_of(self, self.aside[-1])[0] < 0.0

    @property
    def air_sd(self) -> float:
        """Relative standard uncertainty of the air."""
        return float(math.sqrt(self.covariance[AIR, AIR]))

    def air_quantile(self, z: float) -> float:
        """Return the air at ``z`` standard deviations from the median. [J]."""
        return math.exp(self.mean[AIR] + z * self.air_sd)

    def probability_below(self, air: float) -> float:
        """Return the probability that the cushion holds less than ``air`` [J]."""
        return normal_cdf((math.log(air) - self.mean[AIR]) / self.air_sd)

    def change_since_reference(self) -> tuple[float, float]:
        """Return ln(A / A at the reference) and its standard uncertainty; heat scale cancels."""
        p = self.covariance
        variance = p[AIR, AIR] + p[REFERENCE, REFERENCE] - 2.0 * p[AIR, REFERENCE]
        return float(self.mean[AIR] - self.mean[REFERENCE]), math.sqrt(max(float(variance), 1e-12))

    def rate(self) -> tuple[float, float]:
        """Return the rate of ln A per day and its standard uncertainty."""
        return float(self.mean[RATE]), math.sqrt(float(self.covariance[RATE, RATE]))


def normal_cdf(z: float) -> float:
    """Return the standard normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def first_belief(plant: Plant, time: float) -> Belief:
    """Return what is believed before any window: the stated charge, loosely."""
    air = math.log(plant.air_stated)
    mean = np.array([air, 0.0, 0.0, math.log(plant.elastic), air, 0.0, 0.0, 0.0])
    sd = np.array(
        [
            _AIR_PRIOR_SD,
            RATE_PRIOR_SD,
            plant.scale_sd,
            plant.elastic_sd,
            _AIR_PRIOR_SD,
            _UNTAUGHT,
            _UNTAUGHT,
            1.0,
        ]
    )
    return Belief(time, mean, np.diag(sd**2))


def predict(belief: Belief, time: float) -> Belief:
    """Return the belief carried forward to ``time``; unchanged if that is not later."""
    days = (time - belief.time) / DAY
    if days <= 0.0:
        return belief
    keep = math.exp(-days / _RATE_MEMORY)
    step = np.eye(STATES)
    step[AIR, RATE] = _RATE_MEMORY * (1.0 - keep)
    step[RATE, RATE] = keep
    covariance = step @ belief.covariance @ step.T
    covariance[AIR, AIR] += _AIR_WALK**2 * days
    covariance[RATE, RATE] += _RATE_WALK**2 * days
    covariance[SCALE, SCALE] += _SCALE_WALK**2 * days
    covariance[LAG, LAG] += _TIMING_WALK**2 * days
    covariance[LATE, LATE] += _TIMING_WALK**2 * days
    return replace(belief, time=time, mean=step @ belief.mean, covariance=covariance)


def surprise_of(belief: Belief, window: Window) -> tuple[float, float]:
    """Return observed minus expected ln(growth) and its standard deviation."""
    expected, gradient = expected_growth(belief.mean, window)
    variance = float(gradient @ belief.covariance @ gradient) + window.relative_sd**2
    return math.log(window.growth) - expected, math.sqrt(variance)


def expected_growth(mean: FloatArray, window: Window) -> tuple[float, FloatArray]:
    """Return ln(growth) that a window should show by the state ``mean``, and its gradient in the state."""
    by_air = math.exp(mean[AIR]) * (1.0 / window.p1 - 1.0 / window.p2)
    by_line = math.exp(mean[ELASTIC]) * (window.p2 - window.p1)
    share = by_air / (by_air + by_line)
    gradient = np.array([share, 0.0, -1.0, 1.0 - share, 0.0, 0.0, 0.0, 0.0])
    expected = math.log(by_air + by_line) - float(mean[SCALE])
    common = window.shared
    if common is None:
        return expected, gradient
    gradient[LAG], gradient[LATE], gradient[GAS] = -common.by_lag, -common.by_late, -common.by_gas
    apart = mean[LAG] - common.lag, mean[LATE] - common.late, mean[GAS]
    return expected + float(gradient[LAG:] @ np.array(apart)), gradient


def taught(belief: Belief, window: Window) -> Belief:
    """Return the belief with what burns have taught of lag and clocks when ``window`` was weighed.

    They teach by the shape of single burns, which the belief does not see: where they know more than it, it
    takes over as much as brings it to their uncertainty.
    """
    common = window.shared
    if common is None:
        return belief
    one = _told(belief, LAG, common.lag, common.lag_sd)
    return _told(one, LATE, common.late, common.late_sd)


def _told(belief: Belief, state: int, value: float, sd: float) -> Belief:
    before = float(belief.covariance[state, state])
    after = max(sd, 1.0) ** 2
    if after >= before:
        return belief
    gain = belief.covariance[:, state] * ((before - after) / before**2)
    kept = np.eye(STATES)
    kept[:, state] -= gain
    noise = after * before / (before - after)
    covariance = kept @ belief.covariance @ kept.T + np.outer(gain, gain) * noise
    return replace(belief, mean=belief.mean + gain * (value - belief.mean[state]), covariance=covariance)


def with_reference(belief: Belief) -> Belief:
    """Return the belief with its air of now as the reference for what follows."""
    copy = np.eye(STATES)
    copy[REFERENCE] = 0.0
    copy[REFERENCE, AIR] = 1.0
    return replace(
        belief,
        mean=copy @ belief.mean,
        covariance=copy @ belief.covariance @ copy.T,
        reference_time=belief.time,
    )
