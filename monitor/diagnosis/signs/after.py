"""Collects what the line did after each burn: the rows of the last hour or so, cut at burner-offs."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.diagnosis.signs.coast import LONGEST, Coast, coast, moved
from monitor.diagnosis.signs.sign import Scene
from monitor.estimation.burns import SILENCE, Gap, Hour, Mark
from monitor.estimation.heat import net_watts
from monitor.estimation.noise import Noise
from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray, Samples, empty, join

_EVERY: Final = 15.0  # s: faster rows are put together, minutes are looked at here
_BURN: Final = 1800.0  # s of a burn before its end
_AIR_LEFT: Final = 0.5  # of the nominal air: a cushion that is emptier has a fault of its own
_LEAST_ROWS: Final = 4
_LEAST_BURN: Final = 90.0  # s of heating since the last draw
_NEAR: Final = (900.0, 420.0)  # s before and after burner-off
_REST: Final = 60.0  # s before a burn
_KPA: Final = 1000.0


class Coasts:
    """Yields the coasts of a site, each once as a short and a long one, at the hour mark by which it is complete."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._rows = empty()
        self._done = -np.inf  # burner-offs up to here have been looked at

    def take(self, mark: Mark, scene: Scene) -> list[tuple[Coast, Coast]]:
        """Take the next mark; only hours and gaps matter."""
        if isinstance(mark, Gap):
            self._rows = empty()
            return []
        if not isinstance(mark, Hour) or len(mark.rows) == 0:
            return []
        rows = self._rows = join(self._rows, thinned(mark.rows))
        found = [] if scene.line is None else self._coasts(rows, scene, scene.line.noise)
        keep = int(np.searchsorted(rows.time, rows.time[-1] - LONGEST - _BURN))
        self._rows = rows.between(keep, len(rows))
        return found

    def _coasts(self, rows: Samples, scene: Scene, noise: Noise) -> list[tuple[Coast, Coast]]:
        """Return the coasts that are complete within ``rows``."""
        on = rows.heater > 0.5
        offs = np.flatnonzero(on[:-1] & ~on[1:]) + 1
        ons = np.flatnonzero(on[1:] & ~on[:-1]) + 1
        found = []
        for first in offs.tolist():
            off = 0.5 * float(rows.time[first - 1] + rows.time[first])
            later = ons[ons > first]
            last = int(later[0]) if len(later) else len(rows)
            last = min(last, int(np.searchsorted(rows.time, off + LONGEST)))
            if off <= self._done or (last == len(rows) and rows.time[-1] < off + LONGEST - 2.0 * SILENCE):
                continue
            self._done = off
            seen = self._one(rows, ons[ons < first], (first, last), off, scene, noise)
            if seen is not None:
                found.append(seen)
        return found

    def _one(
        self,
        rows: Samples,
        ons: NDArray[np.intp],
        part: tuple[int, int],
        off: float,
        scene: Scene,
        noise: Noise,
    ) -> tuple[Coast, Coast] | None:
        """Return the coasts, short and long, after the burn that ended before row ``part[0]``; ``ons``: burner-on."""
        first, last = part
        # The beginning of the first burn may not be among the rows.
        on = float(rows.time[ons[-1]]) if len(ons) else float(rows.time[0]) - _BURN
        start = int(np.searchsorted(rows.time, max(on - _REST, off - _BURN)))
        if len(ons) and (rows.heater[start : ons[-1]] > 0.5).any():
            start = int(ons[-1])
        if first - start < _LEAST_ROWS or not np.isfinite(rows.heater[start:last]).all():
            return None
        time, p = rows.time[start:last], rows.pressure[start:last] * _KPA
        slope = closed_slope(self._plant, float(np.max(p)), rows.heater[start:first])
        drawn = moved(time, p, noise, slope / _AIR_LEFT)
        before, after = drawn[drawn <= first - start], drawn[drawn > first - start]
        begin = int(before[-1]) if len(before) else 0
        end = int(after[0]) if len(after) else len(time)
        if time[first - start - 1] - max(time[begin], on) < _LEAST_BURN:
            return None
        heat = (on, off, max(scene.lag.seconds, 5.0))
        long = coast(time[begin:end], p[begin:end], heat, noise, slope)
        # Near by the supply has wandered less: what passes fast is seen better there.
        near = slice(
            max(begin, int(np.searchsorted(time, off - _NEAR[0]))),
            min(end, int(np.searchsorted(time, off + _NEAR[1]))),
        )
        short = coast(time[near], p[near], heat, noise, slope)
        return None if long is None or short is None else (short, long)


def thinned(rows: Samples) -> Samples:
    """Return means over fifteen seconds where rows come faster; the heater's state never mixes."""
    if len(rows) < 2 or rows.time[-1] - rows.time[0] >= 0.8 * _EVERY * (len(rows) - 1):
        return rows
    slot = np.floor(rows.time / _EVERY)
    state = np.nan_to_num(rows.heater, nan=-1.0) > 0.5
    first = np.flatnonzero(np.concatenate([[True], (np.diff(slot) > 0) | (state[1:] != state[:-1])]))
    count = np.diff(np.append(first, len(rows)))
    time, pressure = (np.add.reduceat(column, first) / count for column in (rows.time, rows.pressure))
    return Samples(time, pressure, rows.heater[first], rows.temperature[first])


def closed_slope(plant: Plant, pressure: float, heater: FloatArray) -> float:
    """Return how fast a closed line with a good cushion would rise while the heater heats. [Pa/s]."""
    watts = net_watts(heater, plant)
    per_joule = float(plant.fluid.expansion_per_joule(plant.setpoint)) - plant.shell_per_joule
    p = pressure + plant.atmosphere
    return float(np.mean(watts[watts > 0.0])) * per_joule / (plant.air_nominal / (p * p) + plant.elastic)
