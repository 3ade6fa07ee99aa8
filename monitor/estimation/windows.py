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

from monitor.estimation.gas import Refill, settled_row, unsettled
from monitor.estimation.heat import Growth, growth
from monitor.estimation.lag import Lag
from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.plant import Plant
from monitor.estimation.ramp import Ramp, fit_ramp
from monitor.estimation.rest import Line
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.stretches import clean_stretches, not_spikes

_KPA: Final = 1000.0
_VACUUM: Final = 10e3  # Pa absolute: no line of water is at less, only a sensor says so
_MIN_ROWS: Final = 5
_MIN_ROWS_SLOW: Final = 4  # where a row comes less often than every 20 s
_WHOLE: Final = 0.85  # of a burn
_DRAW_ROWS: Final = 60  # before a window that tell how deep the draw was
_SEES_BURNER: Final = 40.0  # s of burning that a window keeps
_CLOCK: Final = 20.0  # s that the clocks of burner and pressure may be apart
_CLOCK_LEAST: Final = 3.0
_MIN_SECONDS: Final = 40.0
_FLOW_SD: Final = 0.025  # scatter of growth per joule that no model here explains (simulated heaters)
_RELIEF_BAND: Final = 0.85  # of the relief setting (gauge): above it the valve may already vent
_BEND: Final = 0.12  # relative difference of slope between halves that is no sign of trouble
_LAG_LEAST: Final = 5.0  # s
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


@dataclass(frozen=True, slots=True)
class Heating:
    """How heat reaches the water: after ``lag`` [s], from a burner reported ``late`` [s], each with its sd.

    ``learned``: whether both are known from burns; ``ended``: whether the end of the burn was seen.
    """

    lag: float
    learned: bool
    ended: bool
    late: float = 0.0
    lag_sd: float = 0.0
    late_sd: float = 0.0


def heating_of(lag: Lag, *, ended: bool) -> Heating:
    """Return how heat reaches the water by what a site has taught so far."""
    return Heating(lag.seconds, lag.learned, ended, lag.late, lag.sd, lag.late_sd)


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
    grown = _grown(rows, plant, heating, heating.lag)
    scene = _Scene(
        rows, grown, heating, noise, plant, 0.0 if line is None else line.steep_from + plant.atmosphere
    )
    found = (
        _measure(scene, first, last) for first, last in clean_stretches(p[keep], noise, _band(plant, line))
    )
    return [window for window in found if window is not None]


def _grown(rows: Samples, plant: Plant, heating: Heating, lag: float) -> Growth:
    return growth(
        rows.time, rows.heater, rows.temperature, plant, lag=lag, late=heating.late, ended=heating.ended
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """Rows (absolute Pa) of a burn and all that they are judged by."""

    rows: Samples
    growth: Growth
    heating: Heating
    noise: Noise
    plant: Plant
    steep_from: float


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
    relative_sd, warm = 1.0, 0.0
    if kind is Kind.RISE:
        since = (start - began, end - began)
        refill = Refill(_depth(scene, began_at), ramp.rise / ramp.middle) if after_draw else None
        relative_sd, warm = _relative_sd(scene, ramp, (first, last), since, refill)
    grown = float(scene.growth.volume[last] - scene.growth.volume[first]) * (1.0 + warm)
    p1, p2 = ramp.mean_of_ends - ramp.rise / 2.0, ramp.mean_of_ends + ramp.rise / 2.0
    return Window(kind, start, end, p1, p2, grown, relative_sd, undisturbed)


def _kind(scene: _Scene, ramp: Ramp, first: int, last: int) -> Kind | None:
    """Return whether rows show a rise, or none where the largest cushion would; None where they say nothing."""
    grown = float(scene.growth.volume[last] - scene.growth.volume[first])
    # In the tail nothing but the lag says how much heat comes: trials with it were worse than blind.
    in_tail = scene.rows.heater[first] <= 0.5
    if grown <= 0.0 or in_tail or not _telling(scene, grown, ramp):
        return None
    expected = _expected_rise(grown, ramp.middle, scene.plant)
    if ramp.rise < max(expected, 3.0 * ramp.rise_sd):
        clear = expected > max(6.0 * ramp.rise_sd, 2.0 * scene.noise.step)
        return Kind.FLAT if clear else None
    vague = ramp.rise_sd > 0.3 * ramp.rise or min(ramp.middle, ramp.mean_of_ends) <= ramp.rise / 2.0
    return None if vague else Kind.RISE


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
        straight = abs(ramp.bend) < _BEND or abs(ramp.bend) < 3.0 * ramp.bend_sd
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


def _relative_sd(
    scene: _Scene, ramp: Ramp, part: tuple[int, int], since: tuple[float, float], refill: Refill | None
) -> tuple[float, float]:
    """Return the relative sd of a window (scale left out) and the correction for warm gas."""
    first, last = part
    known = float(np.mean(scene.growth.relative_sd[first : last + 1]))
    bent = 0.6 * max(abs(ramp.bend) - 0.5 * _BEND, 0.0)
    settling, warm = unsettled(*since, refill)
    late = _late_heat(scene, first, last)
    parts = (ramp.rise_sd / ramp.rise, _FLOW_SD, known, bent, settling, late)
    return float(np.sqrt(sum(x * x for x in parts))), warm


def _late_heat(scene: _Scene, first: int, last: int) -> float:
    """Relative sd by not knowing the lag: how much growth would come or go with a lag off by its doubt."""
    rows, heating = scene.rows, scene.heating
    other = _grown(rows, scene.plant, heating, heating.lag + max(heating.lag_sd, _LAG_LEAST)).volume
    volume = scene.growth.volume
    grown = float(volume[last] - volume[first])
    by_lag = abs(float(other[last] - other[first]) / grown - 1.0)
    # Clocks apart move growth in at one end and out at the other.
    ends = (_rate(rows.time, volume, last) - _rate(rows.time, volume, first)) / grown
    by_clock = abs(ends) * max(heating.late_sd, _CLOCK_LEAST)
    return math.hypot(by_lag, by_clock, _edge(rows, volume, first, last) / grown)


def _edge(rows: Samples, volume: FloatArray, first: int, last: int) -> float:
    """Return the sd of the growth by not knowing when between two rows the burner went off. [m³]."""
    on = np.flatnonzero(rows.heater[first : last + 1] > 0.5)
    if len(on) == 0 or first + int(on[-1]) >= last:
        return 0.0
    row = first + int(on[-1])
    between = float(rows.time[row + 1] - rows.time[row])
    return between / math.sqrt(12.0) * float(np.max(np.diff(volume) / np.diff(rows.time)))


def _rate(time: FloatArray, volume: FloatArray, row: int) -> float:
    """Return the growth per second around a row. [m³/s]."""
    a, b = max(row - 1, 0), min(row + 1, len(time) - 1)
    return float((volume[b] - volume[a]) / (time[b] - time[a]))


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
