"""When heat reaches the water: the lag of the metal, and how far the clocks of burner and pressure are apart.

Metal and flue hold heat back: pressure starts late and goes on rising after burner-off. A burner whose
state is reported late looks the same at its start and the opposite at its end. Both are learned together
from burns whose end no draw disturbed: pressure must follow the heat that has arrived, whatever cushion
takes it, so that only the shape of the curve counts.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.stretches import clean_stretches, not_spikes
from monitor.site import HeaterKind

_PRIOR: Final = {
    HeaterKind.STORAGE: 40.0,
    HeaterKind.INDIRECT: 60.0,
    HeaterKind.ELECTRIC: 30.0,
    HeaterKind.LOOP: 60.0,
}
"""Seconds, order of magnitude (no source)."""

_PRIOR_SD: Final = 0.7  # of the logarithm
_LATE_SD: Final = 25.0  # s, two devices that nobody has set to one clock
_LAGS: Final = np.array([3.0, 8.0, 15.0, 25.0, 40.0, 55.0, 72.0, 90.0, 115.0, 145.0])
_LATES: Final = np.arange(-120.0, 121.0, 10.0)
_LAG, _LATE = (grid.ravel() for grid in np.meshgrid(_LAGS, _LATES, indexing="ij"))

_KEPT: Final = 0.97  # of what earlier burns told: boilers are cleaned and clocks are set
_MOST: Final = 6.0  # log likelihood that one burn may speak against any hypothesis: draws may hide in it
_ALIKE: Final = 3.0  # rows that tell as much as one: what the model misses lasts for several
_BEFORE: Final = 30.0  # s of burning, and after it, that a stretch must have
_AFTER: Final = 60.0
_SAG: Final = 0.3  # of the rise that settling gas may give back
_ROWS: Final = 8
_MOST_ROWS: Final = 60
_NEEDED: Final = 3
_ENOUGH: Final = 40
_KNOWN: Final = 18.0  # s, standard uncertainty of lag and clocks from which both count as learned
_KPA: Final = 1000.0


class Lag:
    """Posterior of lag and clocks; ``seconds`` of lag, burner reported ``late`` by so many, with their sd."""

    def __init__(self, kind: HeaterKind) -> None:
        ratio = np.log(_LAG / _PRIOR[kind]) / _PRIOR_SD
        self._prior = -0.5 * (ratio**2 + (_LATE / _LATE_SD) ** 2)
        self._told = np.zeros(len(_LAG))
        self._burns = 0
        self._heard = 0
        self._settle()

    @property
    def learned(self) -> bool:
        """Whether burns have told enough to trust what comes after burner-off."""
        return self._burns >= _NEEDED and max(self.sd, self.late_sd) < _KNOWN

    def burn(self, rows: Samples, tail: int, noise: Noise) -> None:
        """Take a burn with its ``tail`` rows after burner-off; once much is known, only every fourth."""
        self._heard += 1
        if self._burns > _ENOUGH and self._heard % 4:
            return
        told = _told(rows, tail, noise)
        if told is None:
            return
        self._told = _KEPT * self._told + told
        self._burns += 1
        self._settle()

    def _settle(self) -> None:
        logs = self._prior + self._told
        weight = np.exp(logs - np.max(logs))
        weight /= np.sum(weight)
        self.seconds, self.sd = _moments(weight, _LAG)
        self.late, self.late_sd = _moments(weight, _LATE)


def _moments(weight: FloatArray, value: FloatArray) -> tuple[float, float]:
    mean = float(weight @ value)
    return mean, math.sqrt(max(float(weight @ (value - mean) ** 2), 0.0))


def _told(rows: Samples, tail: int, noise: Noise) -> FloatArray | None:
    """Return the log likelihood of each hypothesis by one burn, None where its end was disturbed."""
    end = len(rows) - tail
    if tail < 2 or end < 2:
        return None
    off = 0.5 * float(rows.time[end - 1] + rows.time[end])
    burning = np.flatnonzero(rows.heater[:end] > 0.5)
    if len(burning) == 0 or np.ptp(rows.heater[burning]) > 0.0:  # a burner that modulates has no one shape
        return None
    first_on = int(burning[0])
    on = (
        float(rows.time[first_on])
        if first_on == 0
        else 0.5 * float(rows.time[first_on - 1] + rows.time[first_on])
    )
    clean = _around(rows, off, noise)
    if clean is None:
        return None
    time, pressure = clean
    return _likelihood(_arrived(time, on, off), pressure, noise)


def _around(rows: Samples, off: float, noise: Noise) -> tuple[FloatArray, FloatArray] | None:
    """Return time and pressure [Pa] of the clean stretch around burner-off, thinned; None without one."""
    p = rows.pressure * _KPA
    keep = not_spikes(p, noise)
    time, p = rows.time[keep], p[keep]
    for start, last in clean_stretches(p, noise):
        if time[start] > off - _BEFORE or time[last] < off - _BEFORE:
            continue
        end = max(last, _sagging(time, p, (start, last), off))
        if time[end] < off + _AFTER or end - start + 1 < _ROWS:
            continue
        # What comes long before tells of temperature and settling gas rather than of the end.
        first = max(start, int(np.searchsorted(time, off - 300.0)))
        step = max((end - first + 1) // _MOST_ROWS, 1)
        return time[first : end + 1 : step], p[first : end + 1 : step]
    return None


def _sagging(time: FloatArray, p: FloatArray, stretch: tuple[int, int], off: float) -> int:
    """Return the last row, shortly after burner-off, to which the line only sags: gas cools, nobody draws."""
    start, last = stretch
    least = p[last] - _SAG * (p[last] - p[start])
    until = int(np.searchsorted(time, off + _AFTER))
    fallen = np.flatnonzero(p[last : until + 1] < least)
    return min(last + int(fallen[0]) - 1 if len(fallen) else until, len(time) - 1)


def _arrived(time: FloatArray, on: float, off: float) -> FloatArray:
    """Return the heat that has arrived at each of ``time``, in seconds of full heat, for each hypothesis."""
    lag, late = _LAG[:, None], _LATE[:, None]
    since = np.maximum(time[None, :] - (on - late), 0.0)
    burned = off - on
    within = np.minimum(since, burned)
    growing = within - lag * -np.expm1(-within / lag)
    held = lag * -np.expm1(-burned / lag)
    return np.asarray(growing + held * -np.expm1(-np.maximum(since - burned, 0.0) / lag))


def _likelihood(arrived: FloatArray, pressure: FloatArray, noise: Noise) -> FloatArray:
    """Return the log likelihood by how well a parabola in the arrived heat gives the pressure."""
    span = np.maximum(np.ptp(arrived, axis=1, keepdims=True), 1e-6)
    x = 2.0 * (arrived - np.min(arrived, axis=1, keepdims=True)) / span - 1.0
    y = pressure - np.mean(pressure)
    # Normal equations of 1, x, x²: x lies in -1 to 1 and spreads, so that they keep their digits.
    squared = x * x
    moments = [
        np.full(len(x), float(len(y))),
        *(np.sum(m, axis=1) for m in (x, squared, squared * x, squared**2)),
    ]
    normal = np.stack([np.stack(moments[row : row + 3], axis=1) for row in range(3)], axis=1)
    right = np.stack([np.zeros(len(x)), x @ y, squared @ y], axis=1)
    fitted = np.linalg.solve(normal + 1e-6 * len(y) * np.eye(3), right[:, :, None])[:, :, 0]
    squares = np.maximum(float(y @ y) - np.sum(fitted * right, axis=1), 0.0)
    count = len(pressure)
    variance = max(float(np.min(squares)) / max(count - 3, 1), noise.sd**2)
    return np.asarray(np.maximum((np.min(squares) - squares) / (2.0 * _ALIKE * variance), -_MOST))
