"""How much a pressure signal says at once: its noise and its resolution."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.samples import FloatArray

_FLOOR: Final = 30.0  # Pa: no field sensor repeats better
_ROWS: Final = 4


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviation and resolution of a pressure signal, both in Pa."""

    sd: float
    resolution: float

    @property
    def step(self) -> float:
        """Smallest fall between neighbours that is not noise. [Pa]."""
        return 5.0 * self.sd + 1.2 * self.resolution


def noise_of(p: FloatArray) -> Noise:
    """Return noise and resolution of a signal [Pa], from its second differences (a ramp has none)."""
    if len(p) < _ROWS:
        return Noise(_FLOOR * 5, 0.0)
    steps = np.abs(np.diff(p))
    moved = steps[steps > 1e-6]
    stuck = 1.0 - len(moved) / len(steps)
    resolution = float(np.min(moved)) if len(moved) and stuck > 0.1 else 0.0
    sd = 1.4826 * float(np.median(np.abs(np.diff(p, 2)))) / np.sqrt(6.0)
    return Noise(max(sd, resolution / np.sqrt(12.0), _FLOOR), resolution)
