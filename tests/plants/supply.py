"""Pressure of the street: a mean, a daily swing and a slow wander."""

from __future__ import annotations

import numpy as np

from tests.plants.trace import FloatArray


def wandering(
    time: FloatArray,
    rng: np.random.Generator,
    *,
    mean: float,
    swing: float = 10.0,
    wander: float = 4.0,
    memory: float = 1800.0,
) -> FloatArray:
    """Return the supply pressure [kPa gauge] at ``time`` [s from local midnight].

    Lowest around 07 h and 19 h, when the town draws (half of ``swing`` up and down), plus a first-order
    autoregressive wander with standard deviation ``wander`` and ``memory`` [s].
    Daily swings of 19/27/68 kPa (10th, 50th, 90th percentile) are those of the wntr demo networks.
    """
    hour = time / 3600.0 % 24.0
    daily = -0.5 * swing * np.cos(4.0 * np.pi * (hour - 7.0) / 24.0)
    if wander <= 0.0 or len(time) < 2:
        return np.asarray(mean + daily)
    coarse = np.arange(time[0], time[-1] + 60.0, 60.0)
    keep = float(np.exp(-60.0 / memory))
    kicks = rng.normal(0.0, wander * np.sqrt(1.0 - keep * keep), len(coarse))
    walk = np.empty(len(coarse))
    level = rng.normal(0.0, wander)
    for i, kick in enumerate(kicks):
        level = keep * level + kick
        walk[i] = level
    return np.asarray(mean + daily + np.interp(time, coarse, walk))
