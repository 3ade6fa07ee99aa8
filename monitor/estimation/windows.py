"""Clean heating windows: stretches of a burn in which nothing but heat moved the pressure.

A draw, a vent or a step of the supply ends a window; what is left rises smoothly, and how much it rises
for how much growth is what the cushion is weighed with. Absolute pressures [Pa], volumes [m³].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from monitor.estimation.doubts import BEND, Stretch, doubts
from monitor.estimation.gas import Refill, settled_row
from monitor.estimation.heat import Growth
from monitor.estimation.heating import Heating
from monitor.estimation.load import given_off
from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.plant import Plant
from monitor.estimation.ramp import Ramp, fit_ramp
from monitor.estimation.rest import Line
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.shared import Shared
from monitor.estimation.stretches import clean_stretches, not_spikes

_KPA: Final = 1000.0
_VACUUM: Final = 10e3  # Pa absolute: no line of water is at less, only a sensor says so
_MIN_ROWS: Final = 5
_MIN_ROWS_SLOW: Final = 4  # where a row comes less often than every 20 s
_WHOLE: Final = 0.85  # of a burn
_DRAW_ROWS: Final = 60  # before a window that tell how deep the draw was
_SEES_BURNER: Final = 40.0  # s of burning that a window keeps
_CLOCK: Final = 20.0  # s that the clocks of burner and pressure may be apart
_MIN_SECONDS: Final = 40.0
_RELIEF_BAND: Final = 0.85  # of the relief setting (gauge): above it the valve may already vent
_GROWN: Final = 0.97  # of the growth of a stretch; the rest takes too long
_BEYOND_LUCK: Final = 4.0  # times the smallest step that is not noise
_MAX_TRIMS: Final = 4
_ENOUGH_SECONDS: Final = 240.0  # of a window are kept in any case
_VAGUE: Final = 0.05  # relative sd of the growth by temperature that a long window need not accept


class Kind(StrEnum):
    """What a stretch of a burn says."""

    RISE = "rise"  # pressure rose with heat: weighs the cushion
    FLAT = "flat"  # heat came, pressure hardly answered: a draw, a passing valve, or nothing is closed
    STEEP = "steep"  # too short to weigh, but so steep that there can be hardly any cushion


@dataclass(frozen=True, slots=True)
class Window:
    """One measurement of the cushion: ``growth`` (by the assumed heat) took the line from p1 to p2.

    ``relative_sd``: standard uncertainty of growth over rise from this window alone, scale left out.
    ``shared``: what it shares with the other windows of its site, which adds to that (None: nothing).
    ``undisturbed``: the stretch spans nearly the whole burn, so that no draw can have hidden a rise.
    """

    kind: Kind
    start: float
    end: float
    p1: float
    p2: float
    growth: float
    relative_sd: float
    undisturbed: bool = False
    shared: Shared | None = None

    @property
    def total_sd(self) -> float:
        """Relative standard uncertainty of growth over rise, with what is shared; scale left out."""
        return self.relative_sd if self.shared is None else math.hypot(self.relative_sd, self.shared.sd)


def find_windows(burn: Samples, heating: Heating, plant: Plant, line: Line | None = None) -> list[Window]:
    """Return the windows of one burn.

    Parameters
    ----------
    burn : Samples
        The row before the burn, the rows with the heater on, and those of its tail.
    heating : Heating
        How and when the heat came.
    plant : Plant
        Assumptions about the plant.
    line : Line or None
        The line at rest where it is known; else noise is taken from the burn, draws and all.
    """
    if len(burn) < 2:
        return []
    p = burn.pressure * _KPA + plant.atmosphere
    noise = noise_of(p) if line is None else line.noise
    keep = not_spikes(p, noise) & (p > _VACUUM)
    if np.count_nonzero(keep) < 2:
        return []
    rows = Samples(burn.time[keep], p[keep], burn.heater[keep], burn.temperature[keep])
    grown = heating.grown(rows, plant)
    scene = _Scene(
        rows,
        grown,
        heating,
        noise,
        plant,
        steep_from=0.0 if line is None else line.steep_from + plant.atmosphere,
        filled=0.0 if line is None else line.filled + plant.atmosphere,
    )
    found = (
        _measure(scene, first, last) for first, last in clean_stretches(p[keep], noise, _band(plant, line))
    )
    return [window for window in found if window is not None]


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """Rows (absolute Pa) of a burn and all that they are judged by."""

    rows: Samples
    growth: Growth
    heating: Heating
    noise: Noise
    plant: Plant
    steep_from: float
    filled: float


def _band(plant: Plant, line: Line | None) -> tuple[float, float]:
    """Absolute pressures between which the line is closed: no draw below, no relief valve above."""
    low = 0.0 if line is None else line.floor + plant.atmosphere
    high = math.inf if plant.relief is None else plant.relief * _RELIEF_BAND + plant.atmosphere
    return low, high


def _measure(scene: _Scene, first: int, last: int) -> Window | None:
    """Return what a stretch says: a weighed rise, that there was none, or only that the line is steep."""
    rows = scene.rows
    began, began_at = float(rows.time[first]), first
    after_draw = first > 1
    steep = _steep(scene, first, last)
    undisturbed = not after_draw and rows.time[last] - began > _WHOLE * (rows.time[-1] - began)
    if not scene.heating.learned:  # how much comes after burner-off hangs on the lag, and on both clocks
        last = _surely_burning(rows, first, last)
    first = min(settled_row(rows.time, first, last, after_draw=after_draw), _while_burning(rows, first, last))
    last = _while_growing(scene.growth.volume, first, last)
    first = _where_known(rows.time, scene.growth.relative_sd, first, last)
    if not _long_enough(rows.time, first, last):
        return steep
    first, ramp = _trimmed(scene, first, last)
    kind = _kind(scene, ramp, first, last)
    if kind is None:
        return steep
    start, end = float(rows.time[first]), float(rows.time[last])
    grown = float(scene.growth.volume[last] - scene.growth.volume[first])
    p1, p2 = ramp.mean_of_ends - ramp.rise / 2.0, ramp.mean_of_ends + ramp.rise / 2.0
    if kind is not Kind.RISE:
        return Window(kind, start, end, p1, p2, grown, 1.0, undisturbed)
    refill = Refill(_depth(scene, began_at), ramp.rise / ramp.middle) if after_draw else None
    since, filling = (start - began, end - began), scene.filled - p1
    stretch = Stretch(rows, scene.growth, first, last, since, refill, filling)
    doubt = doubts(stretch, ramp, scene.heating, scene.plant)
    grown *= 1.0 + doubt.warm
    relative_sd = doubt.relative_sd
    if scene.heating.loop:
        rise, by_load = _without_load(scene, ramp, first, last)
        p2, relative_sd = p1 + rise, math.hypot(relative_sd, by_load)
    return Window(kind, start, end, p1, p2, grown, relative_sd, undisturbed, doubt.shared)


def _kind(scene: _Scene, ramp: Ramp, first: int, last: int) -> Kind | None:
    """Return whether rows show a rise, or none where the largest cushion would; None where they say nothing."""
    grown = float(scene.growth.volume[last] - scene.growth.volume[first])
    # In the tail nothing but the lag says how much heat comes: trials with it were worse than blind.
    in_tail = scene.rows.heater[first] <= 0.5
    if grown <= 0.0 or in_tail or not _telling(scene, grown, ramp):
        return None
    expected = _expected_rise(grown, ramp.middle, scene.plant)
    rise = _without_load(scene, ramp, first, last)[0] if scene.heating.loop else ramp.rise
    if ramp.rise < 3.0 * ramp.rise_sd or rise < expected:
        clear = expected > max(6.0 * ramp.rise_sd, 2.0 * scene.noise.step)
        return Kind.FLAT if clear else None
    vague = ramp.rise_sd > 0.3 * ramp.rise or min(ramp.middle, ramp.mean_of_ends) <= ramp.rise / 2.0
    return None if vague else Kind.RISE


def _without_load(scene: _Scene, ramp: Ramp, first: int, last: int) -> tuple[float, float]:
    """Return the rise of a loop had it given off no heat meanwhile [Pa], and the relative sd by that."""
    seconds = float(scene.rows.time[last] - scene.rows.time[first])
    return given_off(scene.heating.fall, ramp.rise, seconds, ramp.middle)


def _telling(scene: _Scene, grown: float, ramp: Ramp) -> bool:
    """Whether a rise is large against the noise: by what a good cushion would show, not by what was seen.

    Choosing by what was seen would keep the windows that noise made steep. A rise far beyond the noise is
    no matter of luck.
    """
    plant, p = scene.plant, max(ramp.middle, 1.0)
    usual = grown / (plant.air_nominal / (p * p) + plant.elastic)
    enough = 2.5 * scene.noise.sd + 0.3 * scene.noise.resolution
    return usual >= enough or ramp.rise >= _BEYOND_LUCK * scene.noise.step


def _trimmed(scene: _Scene, first: int, last: int) -> tuple[int, Ramp]:
    """Cut the start back until the slopes of both halves agree, or too little is left."""
    ramp = fit_ramp(scene.growth.volume, scene.rows.pressure, first, last, scene.noise)
    for _ in range(_MAX_TRIMS):
        cut = first + max((last - first + 1) // 4, 1)
        straight = abs(ramp.bend) < BEND or abs(ramp.bend) < 3.0 * ramp.bend_sd
        if straight or not _long_enough(scene.rows.time, cut, last):
            break
        first = cut
        ramp = fit_ramp(scene.growth.volume, scene.rows.pressure, first, last, scene.noise)
    return first, ramp


def _depth(scene: _Scene, first: int) -> float:
    """Return how far below the line the draw before row ``first`` had taken it, relative."""
    p = scene.rows.pressure
    low = float(np.quantile(p[max(first - _DRAW_ROWS, 0) : first], 0.25))
    return math.log(max(float(p[first]) / low, 1.0))


def _while_burning(rows: Samples, first: int, last: int) -> int:
    """Return the last row from which a window still sees the burner: later ones hang on the lag alone."""
    on = np.flatnonzero(rows.heater[first : last + 1] > 0.5)
    if len(on) == 0:
        return first
    off = float(rows.time[first + int(on[-1])])
    return max(first, int(np.searchsorted(rows.time, off - _SEES_BURNER)))


def _surely_burning(rows: Samples, first: int, last: int) -> int:
    """Return the last row that burns also where the burner's clock is late."""
    on = np.flatnonzero(rows.heater[first : last + 1] > 0.5)
    if len(on) == 0:
        return last
    off = float(rows.time[first + int(on[-1])])
    return max(first, int(np.searchsorted(rows.time, off - _CLOCK, side="right")) - 1)


def _while_growing(volume: FloatArray, first: int, last: int) -> int:
    """Leave out the end of a tail, in which next to nothing grows and cooling begins."""
    total = float(volume[last] - volume[first])
    return min(last, int(np.searchsorted(volume, float(volume[first]) + _GROWN * total)))


def _long_enough(time: FloatArray, first: int, last: int) -> bool:
    count, span = last - first + 1, float(time[last] - time[first])
    slow = count > 1 and span > 20.0 * (count - 1)
    return count >= (_MIN_ROWS_SLOW if slow else _MIN_ROWS) and span >= _MIN_SECONDS


def _expected_rise(grown: float, p: float, plant: Plant) -> float:
    """Rise that the largest believable cushion would still show. [Pa]."""
    return grown / (plant.air_most / (p * p) + plant.elastic)


def _steep(scene: _Scene, first: int, last: int) -> Window | None:
    """Return a rise over a few rows that no cushion of a quarter of the nominal air could allow, or None."""
    rows, volume, plant = scene.rows, scene.growth.volume, scene.plant
    grown = float(volume[last] - volume[first])
    p1, p2 = float(rows.pressure[first]), float(rows.pressure[last])
    # Only from the start of a burn on: after a draw the line fills by itself.
    if grown <= 0.0 or p2 - p1 < 4.0 * scene.noise.step or first > 1 or p1 < scene.steep_from:
        return None
    quarter = 0.25 * plant.air_nominal * (1.0 / p1 - 1.0 / p2) + 3.0 * plant.elastic * (p2 - p1)
    if grown > 0.7 * quarter:
        return None
    return Window(Kind.STEEP, float(rows.time[first]), float(rows.time[last]), p1, p2, grown, 0.5)


def _where_known(time: FloatArray, relative_sd: FloatArray, first: int, last: int) -> int:
    """Leave out the early part of a long recovery, where the temperature of the water is a guess."""
    enough = int(np.searchsorted(time, time[last] - _ENOUGH_SECONDS))
    vague = np.flatnonzero(relative_sd[first : last + 1] > _VAGUE)
    after = first + int(vague[-1]) + 1 if len(vague) else first
    return max(first, min(after, enough))
