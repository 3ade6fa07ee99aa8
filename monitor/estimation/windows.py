"""Clean heating windows: stretches of a burn in which nothing but heat moved the pressure.

A draw, a vent or a step of the supply ends a window; what is left rises smoothly, and how much it rises
for how much growth is what the cushion is weighed with. Absolute pressures [Pa], volumes [m³].
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from monitor.estimation.heat import Growth, growth
from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.plant import Plant
from monitor.estimation.rest import Line
from monitor.estimation.samples import FloatArray, Samples

_KPA: Final = 1000.0
_MIN_ROWS: Final = 5
_MIN_ROWS_SLOW: Final = 4  # where a row comes less often than every 20 s
_WHOLE: Final = 0.85  # of a burn
_MIN_SECONDS: Final = 40.0
_FLOW_SD: Final = 0.025  # scatter of growth per joule that no model here explains (simulated heaters)
_RELIEF_BAND: Final = 0.85  # of the relief setting (gauge): above it the valve may already vent
_GAS_SETTLES: Final = 60.0  # s, order of magnitude for litres of air behind rubber (no source)
_REFILL_DOUBT: Final = 2.5
_REFILL_SETTLES: Final = 100.0  # s, the slow end of the same
_WARM_DOUBT: Final = 0.6  # of the correction for warm gas
_BEND: Final = 0.12  # relative difference of slope between halves that is no sign of trouble
_LAG_DOUBT: Final = 0.2  # of a learned lag
_LAG_GUESS: Final = 0.5  # of a guessed one
_LAG_LEAST: Final = 5.0  # s
_GROWN: Final = 0.97  # of the growth of a stretch; the rest takes too long
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
    """How heat reaches the water: ``lag`` [s], whether it is ``learned``, whether the burn has ``ended``."""

    lag: float
    learned: bool
    ended: bool


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
    keep = _not_spikes(p, noise)
    rows = Samples(burn.time[keep], p[keep], burn.heater[keep], burn.temperature[keep])
    grown = growth(rows.time, rows.heater, rows.temperature, plant, lag=heating.lag, ended=heating.ended)
    scene = _Scene(
        rows, grown, heating, noise, plant, 0.0 if line is None else line.steep_from + plant.atmosphere
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


def _band(plant: Plant, line: Line | None) -> tuple[float, float]:
    """Absolute pressures between which the line is closed: no draw below, no relief valve above."""
    low = 0.0 if line is None else line.floor + plant.atmosphere
    high = np.inf if plant.relief is None else plant.relief * _RELIEF_BAND + plant.atmosphere
    return low, high


def _not_spikes(p: FloatArray, noise: Noise) -> np.ndarray:
    """Water hammer and glitches: a single row far from both neighbours is left out."""
    keep = np.ones(len(p), dtype=bool)
    if len(p) >= 3:
        before, here, after = p[:-2], p[1:-1], p[2:]
        away = np.minimum(np.abs(here - before), np.abs(here - after))
        same_side = (here - before) * (here - after) > 0
        apart = np.abs(after - before) < 0.5 * away
        keep[1:-1] = ~(same_side & apart & (away > 2.0 * noise.step))
    return keep


def clean_stretches(
    p: FloatArray, noise: Noise, band: tuple[float, float] = (0.0, np.inf)
) -> list[tuple[int, int]]:
    """Return (first, last) row pairs, inclusive, of stretches within ``band`` without a fall or a leap."""
    inside = (p >= band[0]) & (p < band[1])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    stretches: list[tuple[int, int]] = []
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        for first, last in _between_falls(p[start:stop], noise):
            stretches.extend(_split_at_jumps(p, start + first, start + last, noise))
    return [(a, b) for a, b in stretches if b > a]


def _between_falls(p: FloatArray, noise: Noise) -> list[tuple[int, int]]:
    """Return stretches that end where the line falls below its highest so far: somebody draws."""
    stretches = []
    first = 0
    while first < len(p) - 1:
        part = p[first:]
        fallen = np.flatnonzero(np.maximum.accumulate(part) - part > noise.step)
        stop = int(fallen[0]) if len(fallen) else len(part)
        last = int(np.argmax(part[:stop])) if len(fallen) else stop - 1
        stretches.append((first, first + last))
        following = first + max(stop, 1)
        while following < len(p) - 1 and p[following + 1] <= p[following]:
            following += 1
        first = following
    return stretches


def _split_at_jumps(p: FloatArray, first: int, last: int, noise: Noise) -> list[tuple[int, int]]:
    """Split where the pressure leaps up: a draw has ended and the line fills again."""
    done: list[tuple[int, int]] = []
    todo = [(first, last)]
    while todo:
        a, b = todo.pop()
        steps = np.diff(p[a : b + 1])
        if len(steps) < 2:
            done.append((a, b))
            continue
        # The mean of the middle half: a median of coarse steps would be 0 on a slow ramp.
        ordered = np.sort(steps)
        usual = float(np.mean(ordered[len(ordered) // 4 : max(3 * len(ordered) // 4, 1)]))
        leap = int(np.argmax(steps))
        if steps[leap] > noise.step + noise.sd + 4.0 * max(usual, 0.0):
            todo.extend([(a, a + leap), (a + leap + 1, b)])
        else:
            done.append((a, b))
    return sorted(done)


def _measure(scene: _Scene, first: int, last: int) -> Window | None:
    rows, volume = scene.rows, scene.growth.volume
    steep = _steep(scene, first, last)
    began = float(rows.time[first])
    after_draw = first > 1
    undisturbed = not after_draw and rows.time[last] - began > _WHOLE * (rows.time[-1] - began)
    first = _settled(rows.time, first, last, after_draw=after_draw)
    last = _while_growing(volume, first, last)
    first = _where_known(rows.time, scene.growth.relative_sd, first, last)
    if not _long_enough(rows.time, first, last):
        return steep
    first, fit = _trimmed(scene, first, last)
    grown = float(volume[last] - volume[first])
    if grown <= 0.0:
        return None
    start, end = float(rows.time[first]), float(rows.time[last])
    p1, p2 = fit.middle - fit.rise / 2.0, fit.middle + fit.rise / 2.0
    expected = _expected_rise(grown, fit.middle, scene.plant)
    if fit.rise < expected or fit.rise < 3.0 * fit.rise_sd:
        if expected > 6.0 * fit.rise_sd and expected > 2.0 * scene.noise.step:
            return Window(Kind.FLAT, start, end, p1, p2, grown, 1.0, undisturbed)
        return steep
    if p1 <= 0.0 or fit.rise_sd > 0.3 * fit.rise:
        return steep
    sd, warm = _relative_sd(scene, fit, (first, last), (start - began, end - began), after_draw=after_draw)
    return Window(Kind.RISE, start, end, p1, p2, grown * (1.0 + warm), sd, undisturbed)


def _trimmed(scene: _Scene, first: int, last: int) -> tuple[int, _Fit]:
    """Cut the start back until the slopes of both halves agree, or too little is left."""
    fit = _fit(scene.growth.volume, scene.rows.pressure, first, last, scene.noise)
    for _ in range(_MAX_TRIMS):
        cut = first + max((last - first + 1) // 4, 1)
        straight = abs(fit.bend) < _BEND or abs(fit.bend) < 3.0 * fit.bend_sd
        if straight or not _long_enough(scene.rows.time, cut, last):
            break
        first = cut
        fit = _fit(scene.growth.volume, scene.rows.pressure, first, last, scene.noise)
    return first, fit


def _relative_sd(
    scene: _Scene, fit: _Fit, part: tuple[int, int], since: tuple[float, float], *, after_draw: bool
) -> tuple[float, float]:
    """Return the relative sd of a window (scale left out) and the correction for warm gas."""
    first, last = part
    known = float(np.mean(scene.growth.relative_sd[first : last + 1]))
    bent = 0.6 * max(abs(fit.bend) - 0.5 * _BEND, 0.0)
    settling, warm = _settling(*since, after_draw=after_draw)
    late = 0.0 if after_draw else _late_heat(scene, first, last)
    parts = (fit.rise_sd / fit.rise, _FLOW_SD, known, bent, settling, late)
    return float(np.sqrt(sum(x * x for x in parts))), warm


def _late_heat(scene: _Scene, first: int, last: int) -> float:
    """Relative sd by not knowing the lag: how much growth would come or go with a lag off by its doubt."""
    rows, heating = scene.rows, scene.heating
    doubt = (_LAG_DOUBT if heating.learned else _LAG_GUESS) * heating.lag + _LAG_LEAST
    other = growth(
        rows.time, rows.heater, rows.temperature, scene.plant, lag=heating.lag + doubt, ended=heating.ended
    ).volume
    grown = scene.growth.volume[last] - scene.growth.volume[first]
    return abs(float((other[last] - other[first]) / grown) - 1.0)


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


def _settled(time: FloatArray, first: int, last: int, *, after_draw: bool) -> int:
    """Leave out the start, in which gas and bladder settle."""
    span = float(time[last] - time[first])
    least, share, most = (60.0, 0.4, 150.0) if after_draw else (30.0, 0.15, 120.0)
    skip = min(max(least, share * span), most, 0.6 * span)
    return int(np.searchsorted(time, time[first] + skip))


def _settling(start: float, end: float, *, after_draw: bool) -> tuple[float, float]:
    """Return the relative sd by gas that has not settled, and the correction for it.

    After a draw the gas also cools from the refilling, and the line takes in more: which way that pulls
    depends on the draw, so nothing is corrected and the doubt is larger.
    """
    if after_draw:
        return _REFILL_DOUBT * _warm_gas(start, end, _REFILL_SETTLES), 0.0
    warm = _warm_gas(start, end, _GAS_SETTLES)
    return _WARM_DOUBT * warm, warm


def _warm_gas(start: float, end: float, settles: float) -> float:
    """Return by how much too stiff a cushion looks between ``start`` and ``end`` [s] of a compression.

    Gas that is pressed warms, towards n = 1.4 at first, and gives its heat to the wall within minutes; then
    it follows n = 1. The mean of 0.4 exp(-t/tau) over the window.
    """
    decay = np.exp(-start / settles) - np.exp(-end / settles)
    return float(0.4 * settles * decay / (end - start))


def _where_known(time: FloatArray, relative_sd: FloatArray, first: int, last: int) -> int:
    """Leave out the early part of a long recovery, where the temperature of the water is a guess."""
    enough = int(np.searchsorted(time, time[last] - _ENOUGH_SECONDS))
    vague = np.flatnonzero(relative_sd[first : last + 1] > _VAGUE)
    after = first + int(vague[-1]) + 1 if len(vague) else first
    return max(first, min(after, enough))


@dataclass(frozen=True, slots=True)
class _Fit:
    middle: float
    rise: float
    rise_sd: float
    bend: float  # relative difference of slope between the halves, beyond what a gas cushion has
    bend_sd: float


def _fit(volume: FloatArray, pressure: FloatArray, first: int, last: int, noise: Noise) -> _Fit:
    """Fit pressure as a parabola in the growth; the rise between its ends needs the odd part only."""
    v = volume[first : last + 1]
    p = pressure[first : last + 1]
    half = 0.5 * float(v[-1] - v[0])
    if half <= 0.0:
        return _Fit(float(np.mean(p)), 0.0, float(np.std(p)) + 1.0, 0.0, 1.0)
    z = (v - v[0]) / half - 1.0
    design = np.stack([np.ones_like(z), z, z * z], axis=1)
    normal = design.T @ design
    coefficients = np.linalg.solve(normal, design.T @ p)
    residual = p - design @ coefficients
    variance = float(residual @ residual) / max(len(p) - 3, 1)
    # Quantised ramps leave residuals that resemble their neighbours: fewer rows count than there are.
    lag = float(residual[1:] @ residual[:-1]) / max(float(residual @ residual), 1e-12)
    lag = min(max(lag, 0.0), 0.9)
    variance = max(variance, 0.5 * noise.sd**2)  # a few rows may lie on a parabola by chance
    covariance = np.linalg.inv(normal) * variance * (1.0 + lag) / (1.0 - lag)
    a, b, c = (float(x) for x in coefficients)
    rise = 2.0 * b
    # A gas cushion alone bends by b²/p (p'' = 2 p'²/p); pure elasticity not at all: take the mean.
    expected = 0.5 * b * b / max(a, 1.0)
    scale = max(abs(b), 1e-9)
    return _Fit(
        a,
        rise,
        2.0 * float(np.sqrt(covariance[1, 1])),
        2.0 * (c - expected) / scale,
        2.0 * float(np.sqrt(covariance[2, 2])) / scale,
    )
