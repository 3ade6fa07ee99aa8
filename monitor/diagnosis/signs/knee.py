"""The knee of a line whose tank is charged above it: stiff as pipe up to the charge, soft above it.

One burn gives pressure against growth. Two straight lines that meet are fitted to it, and a cubic, which bends
as water, gas and heat may bend without any stop, with as many free numbers. Pressures gauge [Pa], growth [m³].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.heat import growth
from monitor.estimation.noise import Noise
from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.stretches import not_spikes

_ROWS: Final = 7
_MOST_ROWS: Final = 60
_ABOVE: Final = 4  # rows at least of the soft part
_STRETCHES: Final = 4  # of a burn, the longest
_BAND: Final = 0.85  # of the relief setting: above it the valve may vent
_STIFFEST: Final = 0.15  # of the line's assumed give: what leaps more than that is a line that fills
_KNEES: Final = 30
_FIRST: Final = 5  # places for the knee within the first step: rows may come slowly
_INDEPENDENT: Final = 30.0  # rows that a stretch counts for at most
_LEAST_STEP: Final = 10e3  # Pa: bladders hold by a few kPa at each turn, and that looks like a small knee
_RATIO: Final = 3.0  # stiff over soft at least; gas that settles makes 1.4
_LIKELIER: Final = 3.0  # log-likelihood against the cubic
_SAYS: Final = 10e3  # Pa of smooth rise from which on a stretch speaks


@dataclass(frozen=True, slots=True)
class Knee:
    """A bend at ``pressure`` with its ``sd``, on the way from ``start``; slopes ``stiff`` and ``soft`` [Pa/m³]."""

    at: float
    start: float
    pressure: float
    sd: float
    stiff: float
    soft: float


@dataclass(frozen=True, slots=True)
class Smooth:
    """A stretch without a bend, from ``low`` to ``high``, ``slope`` [Pa/m³] in the mean."""

    at: float
    low: float
    high: float
    slope: float


def looks(burn: Samples, tail: int, lag: float, noise: Noise, plant: Plant) -> list[Knee | Smooth]:
    """Return what the stretches of a burn without a draw show; ``tail`` rows after burner-off are left out."""
    rows = burn.between(0, len(burn) - tail)
    if len(rows) < _ROWS or not np.isfinite(rows.heater[1:]).all():
        return []
    p = rows.pressure * 1000.0
    keep = not_spikes(p, noise)
    p, time, heater = p[keep], rows.time[keep], rows.heater[keep]
    # Shape alone counts here: at one temperature nothing bends that the thermometer or a guess would bend.
    volume = growth(time, heater, np.full(len(p), np.nan), plant, lag=lag, ended=False).volume
    found = []
    for first, last in _stretches(p, volume, noise, plant):
        seen = look(volume[first:last], p[first:last], noise, float(time[last - 1]))
        if seen is not None:
            found.append(seen)
    return found


def _stretches(p: FloatArray, volume: FloatArray, noise: Noise, plant: Plant) -> list[tuple[int, int]]:
    """Return row ranges between falls, each from where the line is filled again, below the relief valve."""
    steps = np.diff(p)
    top = np.maximum.accumulate
    leap = noise.step + np.diff(volume) / (_STIFFEST * plant.elastic)
    cuts, first = [], 0
    while first < len(p) - 1:
        fallen = np.flatnonzero(top(p[first:]) - p[first:] > noise.step)
        last = first + (int(fallen[0]) if len(fallen) else len(p) - first)
        filled = np.flatnonzero(steps[first : last - 1] > leap[first : last - 1])
        begin = first + int(filled[-1]) + 1 if len(filled) else first
        cuts.append((begin, last))
        first = max(last, first + 1)
        while first < len(p) - 1 and steps[first] <= 0.0:
            first += 1
    limit = np.inf if plant.relief is None else _BAND * plant.relief
    found = []
    for first, last in cuts:
        over = np.flatnonzero(p[first:last] >= limit)
        end = first + int(over[0]) if len(over) else last
        if end - first >= _ROWS:
            found.append((first, end))
    longest = sorted(found, key=lambda part: part[0] - part[1])[:_STRETCHES]
    return sorted(longest)


def look(volume: FloatArray, p: FloatArray, noise: Noise, at: float) -> Knee | Smooth | None:
    """Return what one stretch shows, None where it shows neither a knee nor a rise of its own."""
    if len(p) < _ROWS or volume[-1] <= volume[0]:
        return None
    sd = float(np.hypot(noise.sd, 0.29 * noise.resolution))
    if float(np.mean(p[-3:])) - p[0] < max(_LEAST_STEP, 4.0 * sd):
        return None
    if len(p) > _MOST_ROWS:
        block = -(-len(p) // _MOST_ROWS)
        count = len(p) // block
        volume, p = (x[: count * block].reshape(count, block).mean(axis=1) for x in (volume, p))
    scale = float(volume[-1] - volume[0])
    x = (volume - volume[0]) / scale
    places = _places(x)
    squares, fits = _bent(x, p, places)
    best = int(np.argmin(squares))
    powers = x[:, None] ** np.arange(4.0)
    cubic = np.linalg.solve(powers.T @ powers + 1e-9 * np.eye(4), powers.T @ p)
    left = float(np.sum((p - powers @ cubic) ** 2))
    floor = len(p) * sd * sd
    rows_counted = min(float(len(p)), _INDEPENDENT)
    level, stiff, soft = (float(one) for one in fits[best])
    likelier = 0.5 * rows_counted * float(np.log((left + floor) / (squares[best] + floor)))
    step = max(_LEAST_STEP, 4.0 * sd)
    if likelier >= _LIKELIER and level - p[0] >= step and soft > 0.0 and stiff >= _RATIO * soft:
        spread = np.sqrt((squares[best] + floor) / (len(p) * rows_counted))
        near = fits[squares <= squares[best] + 2.0 * (squares[best] + floor) / rows_counted, 0]
        width = 0.5 * float(near.max() - near.min())
        return Knee(at, float(p[0]), level, float(np.hypot(spread, width)), stiff / scale, soft / scale)
    rise = float(np.sum(cubic[1:]))
    unbent = likelier < 0.5 * _LIKELIER or stiff < 0.5 * _RATIO * soft
    if not unbent or rise < max(_SAYS, 4.0 * sd):
        return None
    # A cubic overshoots where the line bends at its end.
    high = min(float(cubic[0]) + rise, float(p.max()))
    return Smooth(at, float(cubic[0]), high, rise / scale)


def _places(x: FloatArray) -> FloatArray:
    """Return where a knee may lie: within the first step, then at rows, ``_ABOVE`` rows before the end at most."""
    inner = x[0] + (x[1] - x[0]) * np.arange(1, _FIRST + 1) / (_FIRST + 1)
    rows = x[1 : len(x) - _ABOVE + 1]
    middle = 0.5 * (rows[1:] + rows[:-1])
    every = np.sort(np.concatenate([rows, middle]))
    chosen = every[np.unique(np.linspace(0, len(every) - 1, _KNEES).astype(int))]
    return np.concatenate([inner, chosen])


def _bent(x: FloatArray, p: FloatArray, places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return squares left and (level at the knee, slope below, slope above) for each place of the knee."""
    away = x[None, :] - places[:, None]
    design = np.stack([np.ones_like(away), np.minimum(away, 0.0), np.maximum(away, 0.0)], axis=2)
    normal = np.swapaxes(design, 1, 2) @ design + 1e-12 * np.eye(3)
    fits = np.linalg.solve(normal, (np.swapaxes(design, 1, 2) @ p)[..., None])[..., 0]
    left = p - np.einsum("ijk,ik->ij", design, fits)
    return np.einsum("ij,ij->i", left, left), fits
