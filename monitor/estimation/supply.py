"""The level at which the line rests: what the supply gives when nobody draws and nothing heats."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.estimation.samples import Samples

_HOURS: Final = 24
_ROWS: Final = 10


class RestLevel:
    """A day's median of hourly rest levels; ``level`` in gauge Pa.

    Within an hour the lower quartile of rows without heat counts: growth raises the line above the
    supply until somebody draws, and draws press it down for a few per cent of the time only.
    """

    def __init__(self, stated: float) -> None:
        self.level = stated
        self._hours: list[float] = []

    def hour(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        resting = rows.pressure[~(rows.heater > 0.5)]
        if len(resting) < _ROWS:
            return
        self._hours = [*self._hours[1 - _HOURS :], float(np.quantile(resting, 0.25)) * 1000.0]
        if len(self._hours) >= 3:
            self.level = float(np.median(self._hours))
