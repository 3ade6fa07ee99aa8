"""The line at rest: the level that the supply gives, and the noise of its sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.samples import Samples

_HOURS: Final = 24
_ROWS: Final = 10
_NEEDED: Final = 3  # hours: a first one may be one long draw
_WANDER: Final = 3e3  # Pa: least wander of a supply from hour to hour
_WEEK: Final = 168.0  # hours over which the usual level is forgotten
_MONTH: Final = 720.0  # where the line lies so low that it may be drained
_DRAINED: Final = 0.75  # of the usual level
_KPA: Final = 1000.0
_VACUUM: Final = -90.0  # kPa gauge: no line rests at less, only a sensor says so


@dataclass(frozen=True, slots=True)
class Line:
    """A line at rest: noise of its sensor, level and spread of the level between hours [gauge Pa].

    ``recent``: the level of the last hour, where known; ``usual``: that of the last weeks.
    """

    noise: Noise
    level: float
    spread: float
    recent: float | None = None
    usual: float = 0.0

    @property
    def filled(self) -> float:
        """Gauge pressure [Pa] that the supply gives now, at least: a line below it is still filling."""
        return self.level if self.recent is None else min(self.recent, self.level)

    @property
    def floor(self) -> float:
        """Gauge pressure [Pa] below which nothing weighs the cushion: somebody draws, or the line is drained.

        Wide, for the supply wanders. A drained line lies below the charge of its tank, whose bladder sits on its
        stop: as stiff as pipe, whatever air is behind it.
        """
        drawn = self.level - 2.0 * self.spread - 2.0 * self.noise.sd - self.noise.resolution
        return max(drawn, _DRAINED * self.usual)

    @property
    def steep_from(self) -> float:
        """Gauge pressure [Pa] from which on a steep rise is no filling after a draw."""
        return self.level - self.spread - self.noise.resolution


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
        self.usual: float | None = None
        self.highest = 0.0  # gauge Pa: of the usual levels so far
        self._levels: list[float] = []
        self._noises: list[Noise] = []

    @property
    def line(self) -> Line | None:
        """What is known of the line at rest, None before a few hours have been seen."""
        if self.noise is None:
            return None
        return Line(self.noise, self.level, max(self.spread, _WANDER), self._levels[-1], self.usual or 0.0)

    def visit(self) -> None:
        """Take note of a visit: the line may have been filled anew."""
        self.highest = 0.0 if self.usual is None else self.level

    def hour(self, rows: Samples) -> None:
        """Take the rows of an hour."""
        resting = rows.pressure[~(rows.heater > 0.5) & (rows.pressure > _VACUUM)] * _KPA
        if len(resting) < _ROWS:
            return
        self._levels = [*self._levels[1 - _HOURS :], float(np.quantile(resting, 0.25))]
        self._noises = [*self._noises[1 - _HOURS :], noise_of(resting)]
        if len(self._levels) >= _NEEDED:
            self.level = float(np.median(self._levels))
            self.spread = 1.4826 * float(np.median(np.abs(np.array(self._levels) - self.level)))
            before = self.level if self.usual is None else self.usual
            self.usual = before + (self.level - before) / (
                _MONTH if self.level < _DRAINED * before else _WEEK
            )
            self.highest = max(self.highest, self.usual)
            self.noise = sorted(self._noises, key=lambda n: n.sd)[len(self._noises) // 4]
