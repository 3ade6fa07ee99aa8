"""What a line does in a burn and after it, when no draw moves it: it holds, or water finds a way out.

Water that goes back to the street through a valve is driven by what the line stands above the street: the
rise levels off while heat goes on, and falls exponentially afterwards, as fast from any height, to the level
that the supply gives. A hole or a slow tap is driven by the whole gauge pressure, hardly less at the end
than at the beginning: straight lines of one slope, that stop dead where the supply comes in. Gas that
settles takes a part of the rise and leaves the rest; cooling takes hours. Pressures gauge [Pa], times [s].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray

LONGEST: Final = 1800.0
"""Seconds after burner-off that are looked at: what takes longer is hard to tell from cooling."""

TAUS: Final = np.geomspace(20.0, 7200.0, 20)
"""Time constants that are tried. [s]"""

SLOPES: Final = np.geomspace(0.5, 500.0, 20)
"""Slopes that are tried. [Pa/s]"""

_LEAST: Final = 240.0  # s of rest
_ROWS: Final = 6
_DRAWN: Final = 1.5  # times the slope of a closed line that heats: no seeping is faster, every tap is
_INDEPENDENT: Final = 6.0  # rows that a coast counts for: the supply wanders, and its noise is not white
_BEFORE: Final = 30.0  # s before burner-off whose mean is the top
_GRID: Final = 10.0  # s
_OVER: Final = np.geomspace(1.02, 60.0, 18)  # growth over what runs off meanwhile


@dataclass(frozen=True, slots=True, eq=False)
class Coast:
    """A line left alone around burner-off at ``off``: ``heated`` before, for ``seconds`` afterwards.

    ``pace``: how fast a closed line with a good cushion would have risen [Pa/s]; ``rise``: by how much heat
    had raised it since the last draw, to ``top``; ``fell``: what it lost again; ``rest``: where it ended;
    ``doubt``: sd of ``fell``. ``bowed`` and ``straight``: minus the log-likelihood of a valve that passes, for
    each of `TAUS`, and of a hole, for each of `SLOPES`.
    """

    off: float
    heated: float
    seconds: float
    pace: float
    rise: float
    fell: float
    top: float
    rest: float
    doubt: float
    bowed: FloatArray
    straight: FloatArray


def moved(time: FloatArray, p: FloatArray, noise: Noise, closed_slope: float) -> NDArray[np.intp]:
    """Return the rows before which the line moves by more than heat or seeping can: somebody draws."""
    step, apart = np.diff(p), np.diff(time)
    return np.flatnonzero(np.abs(step) > noise.step + _DRAWN * closed_slope * apart) + 1


def coast(
    time: FloatArray, p: FloatArray, heat: tuple[float, float, float], noise: Noise, pace: float
) -> Coast | None:
    """Return what rows around burner-off show, None where they show nothing.

    Parameters
    ----------
    time, p : array
        Rows without a draw: a line at rest, at least a part of the burn, the time after it. [s], [Pa gauge]
    heat : tuple of float
        Burner on, burner off, and how long heat is under way. [s]
    noise : Noise
        Of the sensor.
    pace : float
        How fast a closed line with a good cushion would rise. [Pa/s]
    """
    on, off, lag = heat
    last = int(np.searchsorted(time, off))
    # The heat still in the metal holds the line up for a while.
    after = int(np.searchsorted(time, off + 1.5 * lag))
    if len(time) - after < _ROWS or time[-1] - time[after] < _LEAST or last < _ROWS // 2:
        return None
    late = time - off >= 0.6 * (time[-1] - off)
    top = float(np.mean(p[min(int(np.searchsorted(time, off - _BEFORE)), last - 1) : last][-3:]))
    end = float(np.mean(p[late]))
    sd = float(np.hypot(noise.sd, 0.29 * noise.resolution))
    grid, flow = _arriving(float(time[0]), float(time[-1]), heat)
    return Coast(
        off=off,
        heated=off - max(on, float(time[0])),
        pace=pace,
        seconds=float(time[-1] - off),
        rise=top - float(np.mean(p[:3])),
        fell=top - end,
        top=top,
        rest=end,
        doubt=sd * float(np.sqrt(0.5 + 1.0 / np.count_nonzero(late))),
        bowed=_bowed(_at(time, grid, _passing(grid, flow)), p, sd),
        straight=_straight(_at(time, grid, _running(grid, flow)), p, sd),
    )


def _arriving(start: float, end: float, heat: tuple[float, float, float]) -> tuple[FloatArray, FloatArray]:
    """Return a grid of times [s] and the share of the heat that comes through the metal at each."""
    on, off, lag = heat
    grid = np.arange(start, end + _GRID, _GRID)
    warming = -np.expm1(-np.maximum(np.minimum(grid, off) - on, 0.0) / lag)
    return grid, np.asarray(warming * np.exp(-np.maximum(grid - off, 0.0) / lag))


def _passing(grid: FloatArray, flow: FloatArray) -> FloatArray:
    """Return the height of a line that lets water back, for each of `TAUS`: h' = flow - h / tau."""
    back = np.exp((grid - grid[0]) / TAUS[:, None])
    return np.asarray(np.cumsum(flow * back, axis=1) * _GRID / back)


def _running(grid: FloatArray, flow: FloatArray) -> FloatArray:
    """Return the height of a line with a hole over the slope of its fall, never below the supply."""
    level = _OVER[:, None] * np.cumsum(flow) * _GRID - (grid - grid[0])
    return np.asarray(level - np.minimum(np.minimum.accumulate(level, axis=1), 0.0))


def _at(time: FloatArray, grid: FloatArray, shapes: FloatArray) -> FloatArray:
    """Return shapes at the rows, each without its mean: the rest is whatever fits."""
    found = shapes[:, np.searchsorted(grid, time - 0.5 * _GRID).clip(0, len(grid) - 1)]
    return np.asarray(found - found.mean(axis=1)[:, None])


def _bowed(shapes: FloatArray, p: FloatArray, sd: float) -> FloatArray:
    away = p - p.mean()
    gained = np.maximum(shapes @ away, 0.0) ** 2 / np.maximum(np.einsum("ij,ij->i", shapes, shapes), 1e-12)
    return _surprise(away @ away - gained, len(p), sd)


def _straight(shapes: FloatArray, p: FloatArray, sd: float) -> FloatArray:
    away = p - p.mean()
    own, across = np.einsum("ij,ij->i", shapes, shapes), shapes @ away
    left = away @ away - 2.0 * SLOPES[:, None] * across + SLOPES[:, None] ** 2 * own
    return _surprise(left.min(axis=1), len(p), sd)


def _surprise(left: FloatArray, rows: int, sd: float) -> FloatArray:
    """Return minus the log-likelihood of squares ``left``, for a noise that is not known, but not below ``sd``."""
    return np.asarray(0.5 * _INDEPENDENT * np.log(np.maximum(left, 0.0) / rows + sd * sd))
