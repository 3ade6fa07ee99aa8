"""How long heat is under way from the burner to the water: learned from what rises after burner-off.

Metal and flue hold heat back: pressure starts late and goes on rising. With a first-order lag tau the
growth still to come at burner-off is tau times the growth rate of that moment, so that the rise after
burner-off over the slope before it is tau, whatever cushion takes it. Clocks apart between heater and
pressure look the same, and are made good by the same number.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.samples import Samples
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
_LONGEST: Final = 150.0  # s; what rises later is no lag of metal
_ROWS: Final = 3
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
    for span in _SLOPE_OVER:
        first = max(int(np.searchsorted(rows.time, rows.time[end - 1] - span)), 1)
        t, before = rows.time[first:end], p[first:end]
        if len(t) < _ROWS or np.min(np.diff(before)) < -noise.step:
            return None
        centred = t - np.mean(t)
        slope = float(centred @ before / (centred @ centred))
        if slope * float(t[-1] - t[0]) >= 4.0 * noise.sd + noise.resolution:
            break
    else:
        return None
    # From the line through the slope at burner-off, not from one noisy row.
    off = 0.5 * float(rows.time[end - 1] + rows.time[end])
    at_off = float(np.mean(before)) + slope * (off - float(np.mean(t)))
    after = p[end : end + int(np.searchsorted(rows.time[end:], off + 2.0 * _LONGEST))]
    if np.min(np.diff(after), initial=0.0) < -noise.step:
        return None
    rows_of_top = min(3, len(after))
    top = float(np.mean(np.sort(after)[-rows_of_top:]))
    return float(np.clip((top - at_off) / slope, 0.0, _LONGEST))
