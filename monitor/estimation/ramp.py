"""A rise of pressure with growth, fitted as a parabola with honest uncertainty. Absolute pressures [Pa]."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray

_BETWEEN: Final = 0.9  # of half the growth


@dataclass(frozen=True, slots=True)
class Ramp:
    """Pressure at the middle, rise between the ends with its sd, and the mean of both ends. [Pa].

    ``bend``: relative difference of slope between the halves, beyond what a gas cushion has.
    """

    middle: float
    rise: float
    rise_sd: float
    mean_of_ends: float
    bend: float
    bend_sd: float


def _beyond_parabola(a: float, b: float, c: float) -> float:
    """Return the relative rise between the ends that a parabola misses.

    Gas goes as a / (1 - x z) with x = b / a: its cubic x³ z³ enters the odd part of the fit by 3/5 only. With
    a share s of the compliance in gas and the rest in elastic pipe the bend is s a x² and the cubic
    s (2 s - 1) times that of gas alone.
    """
    square = (b / max(a, 1.0)) ** 2
    gas = min(max(c / (a * square), 0.0), 1.0) if a * square > 0.0 else 0.0
    return 0.4 * min(square, 0.1) * gas * (2.0 * gas - 1.0)


def fit_ramp(volume: FloatArray, pressure: FloatArray, first: int, last: int, noise: Noise) -> Ramp:
    """Fit pressure as a parabola in the growth; the rise between its ends needs the odd part only."""
    v = volume[first : last + 1]
    p = pressure[first : last + 1]
    half = 0.5 * float(v[-1] - v[0])
    # A parabola needs a row between the ends; where growth comes in one leap there is none.
    if half <= 0.0 or np.all(np.abs((v - v[0]) / half - 1.0) > _BETWEEN):
        return Ramp(float(np.mean(p)), 0.0, float(np.std(p)) + 1.0, float(np.mean(p)), 0.0, 1.0)
    z = (v - v[0]) / half - 1.0
    design = np.stack([np.ones_like(z), z, z * z], axis=1)
    normal = design.T @ design
    coefficients = np.linalg.solve(normal, design.T @ p)
    residual = p - design @ coefficients
    variance = float(residual @ residual) / max(len(p) - 3, 1)
    # Quantised ramps leave residuals that resemble their neighbours: fewer rows count than there are.
    lag = float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-12)
    lag = min(max(lag, 0.0), 0.9)
    variance = max(variance, 0.5 * noise.sd**2)  # a few rows may lie on a parabola by chance
    covariance = np.linalg.inv(normal) * variance * (1.0 + lag) / (1.0 - lag)
    a, b, c = (float(x) for x in coefficients)
    rise = 2.0 * b * (1.0 + _beyond_parabola(a, b, c))
    # A gas cushion alone bends by b²/p (p'' = 2 p'²/p); pure elasticity not at all: take the mean.
    expected = 0.5 * b * b / max(a, 1.0)
    scale = max(abs(b), 1e-9)
    return Ramp(
        a,
        rise,
        2.0 * float(np.sqrt(covariance[1, 1])),
        a + c,
        2.0 * (c - expected) / scale,
        2.0 * float(np.sqrt(covariance[2, 2])) / scale,
    )
