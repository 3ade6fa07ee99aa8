"""The line at rest: the level that the supply gives, and the noise of its sensor."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.samples import Samples

_HOURS: Final = 24
_ROWS: Final = 10
_NEEDED: Final = 3  # hours: a first one may be one long draw
_WANDER: Final = 3e3  # Pa: least wander of a supply from hour to hour
_KPA: Final = 1000.0


class RestLine:
    """A day of hourly looks at the line without heat: ``level`` in gauge Pa, ``spread`` its sd between hours.

    Within an hour the lower quartile of the rows counts as level: growth raises the line above the
    supply until somebody draws, and draws press it down for a few per cent of the time only. Noise is
    that of the quietest quarter of the hours: draws and hammer are no property of the sensor.
    """

    def __init__(self, stated: float) -> None:
        self.level = stated
        self.spread = 0.0
        self.noise: Noise | None = None
        self._levels: list[float] = []
        self._noises: list[Noise] = []

    @property
    def floor(self) -> float | None:
        """Gauge pressure [Pa] below which somebody draws; None while the line is not known.

        The supply wanders by the hour, so that the margin is wide: it leaves out the deep draws only.
        """
        if self.noise is None:
            return None
        return self.level - 2.0 * max(self.spread, _WANDER) - 2.0 * self.noise.sd - self.noise.resolution

    def hour(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        resting = rows.pressure[~(rows.heater > 0.5)] * _KPA
        if len(resting) < _ROWS:
            return
        self._levels = [*self._levels[1 - _HOURS :], float(np.quantile(resting, 0.25))]
        self._noises = [*self._noises[1 - _HOURS :], noise_of(resting)]
        if len(self._levels) >= _NEEDED:
            self.level = float(np.median(self._levels))
            self.spread = 1.4826 * float(np.median(np.abs(np.array(self._levels) - self.level)))
            self.noise = sorted(self._noises, key=lambda n: n.sd)[len(self._noises) // 4]
