"""The air of the cushion as a state that is followed through windows and visits.

State, Gaussian: ln A (air), its rate of change per day, ln s (true over assumed heat: common to all
windows of a site), ln Ce (elasticity of the line), ln A at the reference (start, or last visit).
Logarithms, because every unknown here is a factor. Each window measures

    ln(growth) = ln(A (1/p1 - 1/p2) + Ce (p2 - p1)) - ln s + noise

by an iterated extended Kalman step; a gauge reading at a visit measures ln A itself and thereby s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray
from monitor.estimation.windows import Kind, Window
from monitor.site import Visit, VisitAction

DAY: Final = 86_400.0
AIR, RATE, SCALE, ELASTIC, REFERENCE = range(5)

_AIR_PRIOR_SD: Final = 0.4
_RATE_PRIOR_SD: Final = 0.02  # per day
_AIR_WALK: Final = 0.004  # per square root of a day: slow loss is smooth, temperature of the room is not
_RATE_WALK: Final = 0.0015  # per day, per square root of a day
_RATE_MEMORY: Final = 45.0  # days over which a rate is forgotten
_SCALE_WALK: Final = 0.002  # per square root of a day: cold-water season, thermostat
_GAUGE_SD: Final = 5e3  # Pa: a hand gauge read to half a mark, 0.7 psi
_SURPRISE: Final = 3.5  # standard deviations beyond which a window waits for a second opinion
_ODD_SHARE: Final = 0.05  # of each new window in the share of odd ones
_ERRATIC: Final = 0.3
_LEAN_SHARE: Final = 0.2  # of each new surprise in the smoothed one, whose sd is then 1/3 by chance
_LEAN_LIMIT: Final = 0.8
_RATE_FREED: Final = 0.015  # per day: doubt about the rate once the windows lean
_ASIDE_LIMIT: Final = 12
_STIFFER_NEEDED: Final = 2.0
_SOFTER_NEEDED: Final = 5.0  # dribbles, passing valves and supply inflow all make a line look softer
_FULL_VOTE: Final = 0.12  # relative sd up to which a window counts as one; vaguer ones count for less
_STEEP_VOTE: Final = 0.5
_SETTLED: Final = 8  # windows after which a belief is more than its prior
_FIRST_WINDOWS: Final = 4  # looked at together before any is believed
_AGREEMENT: Final = 0.35  # spread (ln) within which windows set aside tell the same story
_LOWEST_SHARE: Final = 0.005  # of the nominal air; less cannot be told from none


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
        return _surprise(self, self.aside[-1])[0] < 0.0

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
    mean = np.array([air, 0.0, 0.0, math.log(plant.elastic), air])
    sd = np.array([_AIR_PRIOR_SD, _RATE_PRIOR_SD, plant.scale_sd, plant.elastic_sd, _AIR_PRIOR_SD])
    return Belief(time, mean, np.diag(sd**2))


def predict(belief: Belief, time: float) -> Belief:
    """Return the belief carried forward to ``time``; unchanged if that is not later."""
    days = (time - belief.time) / DAY
    if days <= 0.0:
        return belief
    keep = math.exp(-days / _RATE_MEMORY)
    step = np.eye(5)
    step[AIR, RATE] = _RATE_MEMORY * (1.0 - keep)
    step[RATE, RATE] = keep
    covariance = step @ belief.covariance @ step.T
    covariance[AIR, AIR] += _AIR_WALK**2 * days
    covariance[RATE, RATE] += _RATE_WALK**2 * days
    covariance[SCALE, SCALE] += _SCALE_WALK**2 * days
    return replace(belief, time=time, mean=step @ belief.mean, covariance=covariance)


def see(belief: Belief, window: Window, plant: Plant) -> Belief:
    """Return the belief after a window.

    A window that surprises is set aside until others agree with it (a jump) or with the belief (an
    outlier, forgotten). Windows that show no rise say nothing about the cushion and change nothing.
    """
    if window.kind is Kind.FLAT:
        return belief
    belief = predict(belief, window.end)
    if belief.windows == 0 and not belief.gauged:
        return _first_windows(belief, window, plant)
    surprise, sd = _surprise(belief, window)
    beyond = abs(surprise) > _SURPRISE * sd
    belief = replace(belief, odd=(1.0 - _ODD_SHARE) * belief.odd + _ODD_SHARE * beyond)
    if beyond:
        return _set_aside(belief, window, plant)
    # What makes a line look softer than it is (dribbles, inflow) is common: such windows weigh less.
    belief = _leaning(belief, surprise / sd)
    updated = _update(belief, window, plant, max(surprise / sd, 1.0))
    aside = belief.aside if abs(surprise) > 2.0 * sd else ()
    return _referenced(replace(updated, aside=aside))


def _leaning(belief: Belief, surprise: float) -> Belief:
    """Free the rate when window after window falls on the same side: the loss is faster than believed."""
    lean = (1.0 - _LEAN_SHARE) * belief.lean + _LEAN_SHARE * min(max(surprise, -3.0), 3.0)
    if abs(lean) < _LEAN_LIMIT or belief.windows < _SETTLED:
        return replace(belief, lean=lean)
    covariance = belief.covariance.copy()
    covariance[RATE, RATE] += _RATE_FREED**2
    return replace(belief, covariance=covariance, lean=0.5 * lean)


def shaken(belief: Belief, windows: list[Window], plant: Plant) -> Belief:
    """Return the belief after proof from elsewhere (a discharging valve) that the air has changed.

    The air is doubted by an order of magnitude, so that ``windows`` of the same burn decide.
    """
    covariance = belief.covariance.copy()
    covariance[AIR, AIR] += 1.5**2
    doubted = replace(belief, covariance=covariance, aside=(), lean=0.0)
    for window in windows:
        if window.kind is not Kind.FLAT:
            doubted = _update(predict(doubted, window.end), window, plant, 1.0)
    return doubted


def _first_windows(belief: Belief, window: Window, plant: Plant) -> Belief:
    """Wait for a handful of windows and leave out those far from their weighted median."""
    aside = (*belief.aside, window)
    if len(aside) < _FIRST_WINDOWS:
        return replace(belief, aside=aside)
    surprises = np.array([_surprise(belief, w)[0] for w in aside])
    sds = np.array([w.relative_sd for w in aside])
    order = np.argsort(surprises)
    weight = np.cumsum(1.0 / sds[order])
    middle = float(surprises[order][np.searchsorted(weight, 0.5 * weight[-1])])
    started = replace(belief, aside=())
    for one, surprise, sd in zip(aside, surprises, sds, strict=True):
        if abs(surprise - middle) <= _SURPRISE * max(sd, 0.1):
            started = _update(started, one, plant, 1.0)
    return started


def _surprise(belief: Belief, window: Window) -> tuple[float, float]:
    """Return observed minus expected ln(growth) and its standard deviation."""
    expected, gradient = _observation(belief.mean, window)
    variance = float(gradient @ belief.covariance @ gradient) + window.relative_sd**2
    return math.log(window.growth) - expected, math.sqrt(variance)


def _observation(mean: FloatArray, window: Window) -> tuple[float, FloatArray]:
    by_air = math.exp(mean[AIR]) * (1.0 / window.p1 - 1.0 / window.p2)
    by_line = math.exp(mean[ELASTIC]) * (window.p2 - window.p1)
    share = by_air / (by_air + by_line)
    gradient = np.array([share, 0.0, -1.0, 1.0 - share, 0.0])
    return math.log(by_air + by_line) - float(mean[SCALE]), gradient


def _update(belief: Belief, window: Window, plant: Plant, doubt: float) -> Belief:
    noise = (window.relative_sd * doubt) ** 2
    prior, covariance = belief.mean, belief.covariance
    mean = prior
    lowest = math.log(plant.air_nominal * _LOWEST_SHARE)
    gain = np.zeros(5)
    gradient = np.zeros(5)
    for _ in range(6):
        expected, gradient = _observation(mean, window)
        variance = float(gradient @ covariance @ gradient) + noise
        gain = covariance @ gradient / variance
        innovation = math.log(window.growth) - expected - float(gradient @ (prior - mean))
        following = prior + gain * innovation
        # Far from the solution the tangent overshoots: at most one e-fold a step.
        step = np.clip(following - mean, -1.0, 1.0)
        mean = mean + step
        mean[AIR] = max(mean[AIR], lowest)
        if float(np.max(np.abs(step))) < 1e-4:
            break
    kept = np.eye(5) - np.outer(gain, gradient)
    posterior = kept @ covariance @ kept.T + np.outer(gain, gain) * noise
    return replace(
        belief, mean=mean, covariance=posterior, windows=belief.windows + 1, last_window=window.end
    )


def _set_aside(belief: Belief, window: Window, plant: Plant) -> Belief:
    aside = (*belief.aside, window)[-_ASIDE_LIMIT:]
    surprises = [_surprise(belief, w)[0] for w in aside]
    sign = 1.0 if surprises[-1] > 0.0 else -1.0
    # The latest run of windows that surprise in the same direction.
    run = len(aside)
    while run > 0 and surprises[run - 1] * sign > 0.0:
        run -= 1
    votes = sum(_vote(w) for w in aside[run:])
    recent = surprises[run:]
    agree = max(recent) - min(recent) < _AGREEMENT or max(recent) < -1.0
    belief = replace(belief, aside=aside)
    if not agree or votes < (_STIFFER_NEEDED if sign < 0.0 else _SOFTER_NEEDED):
        return belief
    return _accept_jump(belief, aside[run:], recent, plant)


def _vote(window: Window) -> float:
    if window.kind is Kind.STEEP:
        return _STEEP_VOTE
    return min(1.0, _FULL_VOTE / window.relative_sd)


def _accept_jump(belief: Belief, windows: tuple[Window, ...], surprises: list[float], plant: Plant) -> Belief:
    size = float(np.mean(surprises))
    covariance = belief.covariance.copy()
    covariance[AIR, AIR] += (1.5 * size) ** 2
    before = belief.air
    last = belief.last_window if belief.last_window is not None else windows[0].start
    jumped = replace(belief, covariance=covariance, aside=())
    for window in windows:
        jumped = _update(jumped, window, plant, 1.0)
    jump = Jump(last, windows[0].start, jumped.air / before)
    return replace(jumped, jumps=(*belief.jumps, jump)[-20:])


def _referenced(belief: Belief) -> Belief:
    """Take the reference once a handful of windows has settled the air."""
    if belief.reference_time is not None or belief.windows < 4:
        return belief
    return _with_reference(belief)


def _with_reference(belief: Belief) -> Belief:
    copy = np.eye(5)
    copy[REFERENCE] = 0.0
    copy[REFERENCE, AIR] = 1.0
    return replace(
        belief,
        mean=copy @ belief.mean,
        covariance=copy @ belief.covariance @ copy.T,
        reference_time=belief.time,
    )


def visited(belief: Belief, visit: Visit, plant: Plant) -> Belief:
    """Return the belief after a service visit.

    ``gauged``: the gauge reading measures the air. ``refilled``, ``replaced``: the air is what was left
    in the tank; what was learned of heat and line is kept.
    """
    belief = predict(belief, visit.time)
    if visit.precharge is None:
        if visit.action is VisitAction.GAUGED:
            return belief
        return _with_reference(_reset(belief, math.log(plant.air_of(plant.charge_target)), 0.15))
    air = plant.air_of(visit.precharge)
    sd = _GAUGE_SD * plant.tank_volume / air
    if visit.action is VisitAction.GAUGED:
        return _with_reference(replace(_gauge(belief, math.log(air), sd), gauged=True))
    return _with_reference(replace(_reset(belief, math.log(air), sd), gauged=True))


def _gauge(belief: Belief, log_air: float, sd: float) -> Belief:
    variance = belief.covariance[AIR, AIR] + sd**2
    surprise = log_air - belief.mean[AIR]
    covariance = belief.covariance
    if (
        surprise**2 > 9.0 * variance
    ):  # the air has changed unseen: the gauge is right, the scale is not judged
        return _reset(belief, log_air, sd)
    gain = covariance[:, AIR] / variance
    kept = np.eye(5)
    kept[:, AIR] -= gain
    posterior = kept @ covariance @ kept.T + np.outer(gain, gain) * sd**2
    return replace(belief, mean=belief.mean + gain * surprise, covariance=posterior, aside=())


def _reset(belief: Belief, log_air: float, sd: float) -> Belief:
    mean = belief.mean.copy()
    covariance = belief.covariance.copy()
    for index, value, spread in ((AIR, log_air, sd), (RATE, 0.0, _RATE_PRIOR_SD)):
        mean[index] = value
        covariance[index, :] = 0.0
        covariance[:, index] = 0.0
        covariance[index, index] = spread**2
    return replace(belief, mean=mean, covariance=covariance, aside=())
