"""How windows change what is believed of a cushion: updates, outliers, jumps, a rate that is freed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.estimation.belief import (
    AIR,
    RATE,
    STATES,
    Belief,
    Jump,
    expected_growth,
    predict,
    surprise_of,
    taught,
    with_reference,
)
from monitor.estimation.plant import Plant
from monitor.estimation.windows import Kind, Window

_SURPRISE: Final = 3.5  # standard deviations beyond which a window waits for a second opinion
_ODD_SHARE: Final = 0.05  # of each new window in the share of odd ones
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


def see(belief: Belief, window: Window, plant: Plant) -> Belief:
    """Return the belief after a window.

    A window that surprises is set aside until others agree with it (a jump) or with the belief (an
    outlier, forgotten). Windows that show no rise say nothing about the cushion and change nothing.
    """
    if window.kind is Kind.FLAT:
        return belief
    belief = taught(predict(belief, window.end), window)
    if belief.windows == 0 and not belief.gauged:
        return _first_windows(belief, window, plant)
    surprise, sd = surprise_of(belief, window)
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
            doubted = _update(taught(predict(doubted, window.end), window), window, plant, 1.0)
    return doubted


def _first_windows(belief: Belief, window: Window, plant: Plant) -> Belief:
    """Wait for a handful of windows and leave out those far from their weighted median."""
    aside = (*belief.aside, window)
    if len(aside) < _FIRST_WINDOWS:
        return replace(belief, aside=aside)
    surprises = np.array([surprise_of(belief, w)[0] for w in aside])
    sds = np.array([w.total_sd for w in aside])
    order = np.argsort(surprises)
    weight = np.cumsum(1.0 / sds[order])
    middle = float(surprises[order][np.searchsorted(weight, 0.5 * weight[-1])])
    started = replace(belief, aside=())
    for one, surprise, sd in zip(aside, surprises, sds, strict=True):
        if abs(surprise - middle) <= _SURPRISE * max(sd, 0.1):
            started = _update(started, one, plant, 1.0)
    return started


def _update(belief: Belief, window: Window, plant: Plant, doubt: float) -> Belief:
    noise = (window.relative_sd * doubt) ** 2
    prior, covariance = belief.mean, belief.covariance
    mean = prior
    lowest = math.log(plant.air_nominal * _LOWEST_SHARE)
    gain = np.zeros(STATES)
    gradient = np.zeros(STATES)
    for _ in range(6):
        expected, gradient = expected_growth(mean, window)
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
    kept = np.eye(STATES) - np.outer(gain, gradient)
    posterior = kept @ covariance @ kept.T + np.outer(gain, gain) * noise
    return replace(
        belief, mean=mean, covariance=posterior, windows=belief.windows + 1, last_window=window.end
    )


def _set_aside(belief: Belief, window: Window, plant: Plant) -> Belief:
    aside = (*belief.aside, window)[-_ASIDE_LIMIT:]
    surprises = [surprise_of(belief, w)[0] for w in aside]
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
    return min(1.0, _FULL_VOTE / window.total_sd)


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
    return with_reference(belief)
