"""How long heat is under way from the burner to the water: learned from what rises after burner-off.

Metal and flue hold heat back: pressure starts late and goes on rising. With a first-order lag tau the
growth still to come at burner-off is tau times the growth rate of that moment, so that the rise after
burner-off over the slope before it is tau, whatever cushion takes it. Clocks apart between heater and
pressure look the same, and are made good by the same number.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray, Samples
from monitor.site import HeaterKind

_PRIOR: Final = {
    HeaterKind.STORAGE: 40.0,
    HeaterKind.INDIRECT: 60.0,
    HeaterKind.ELECTRIC: 30.0,
    HeaterKind.LOOP: 60.0,
}
"""Seconds, order of magnitude (no source)."""

_KEPT: Final = 15
_NEEDED: Final = 3
_SLOPE_OVER: Final = (90.0, 180.0, 300.0)  # s before burner-off: the shortest that stands out of the noise
_RAGGED: Final = 3.0  # times the noise: what scatters more is no climb by heat alone
_SHORTEST_TAIL: Final = 60.0  # s after burner-off without a draw
_MOST_DOUBT: Final = 30.0  # s
_LONGEST: Final = 150.0  # s; what rises later is no lag of metal
_ROWS: Final = 3
_ROWS_LATE: Final = 2
_KPA: Final = 1000.0


class Lag:
    """Running median of the lags that burns showed; ``seconds`` and whether it is ``learned``."""

    def __init__(self, kind: HeaterKind) -> None:
        self.seconds = _PRIOR[kind]
        self.learned = False
        self._seen: list[float] = []

    def burn(self, rows: Samples, tail: int, noise: Noise) -> None:
        """Take a burn with its ``tail`` rows after burner-off."""
        lag = _shown(rows, tail, noise)
        if lag is None:
            return
        self._seen = [*self._seen[1 - _KEPT :], lag]
        if len(self._seen) >= _NEEDED:
            self.seconds = max(float(np.median(self._seen)), 1.0)
            self.learned = True


def _shown(rows: Samples, tail: int, noise: Noise) -> float | None:
    """Return the lag that one burn shows, None where a draw, noise or too few rows hide it."""
    end = len(rows) - tail
    if tail < _ROWS or end < _ROWS:
        return None
    p = rows.pressure * _KPA
    climb = _climb(rows.time[:end], p[:end], noise)
    if climb is None:
        return None
    slope, middle, level, count = climb
    # From the line through the slope at burner-off, not from one noisy row.
    off = 0.5 * float(rows.time[end - 1] + rows.time[end])
    at_off = level + slope * (off - middle)
    fallen = np.flatnonzero(np.diff(p[end:]) < -noise.step)
    seen = int(fallen[0]) + 1 if len(fallen) else tail
    since = rows.time[end : end + seen] - off
    # The median of the late part: the highest rows would be noise.
    late = since >= 0.6 * since[-1]
    rows_late = int(np.count_nonzero(late))
    doubt = (noise.sd * np.sqrt(1.0 / count + 1.6 / rows_late) + 0.3 * noise.resolution) / slope
    if since[-1] < _SHORTEST_TAIL or rows_late < _ROWS_LATE or doubt > _MOST_DOUBT:
        return None
    rise = float(np.median(p[end : end + seen][late])) - at_off
    return _lag_of(rise / slope, float(np.median(since[late])))


def _lag_of(arrived: float, after: float) -> float:
    """Return the lag [s] of which ``arrived`` seconds of growth have come ``after`` seconds.

    arrived = lag (1 - exp(-after / lag)), solved by repetition; a lag near ``after`` or longer is cut.
    """
    lag = min(max(arrived, 0.0), _LONGEST)
    for _ in range(20):
        share = -math.expm1(-after / max(lag, 1.0))
        lag = min(max(arrived / share, 0.0), _LONGEST)
    return lag


def _climb(time: FloatArray, p: FloatArray, noise: Noise) -> tuple[float, float, float, int] | None:
    """Return slope [Pa/s] before burner-off, mean time, mean pressure and rows of it; None if unclear."""
    for span in _SLOPE_OVER:
        first = max(int(np.searchsorted(time, time[-1] - span)), 1)
        t, before = time[first:], p[first:]
        if len(t) < _ROWS or np.min(np.diff(before)) < -noise.step:
            return None
        middle = float(np.mean(t))
        centred = t - middle
        slope = float(centred @ before / (centred @ centred))
        ragged = float(np.std(before - slope * centred))
        if ragged > _RAGGED * noise.sd + 0.5 * noise.resolution:
            return None
        if slope * float(t[-1] - t[0]) >= 4.0 * noise.sd + noise.resolution:
            return slope, middle, float(np.mean(before)), len(t)
    return None
