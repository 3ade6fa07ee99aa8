"""What stops a line that heat raises: the tops from which it drops at once, and the heights at which it stays.

A relief valve opens at one pressure and shuts a little lower, whatever the supply does: under heat the line
drops from there within seconds (saw-tooth), or stays there (plateau). Draws stop it anywhere. Pressures gauge
[Pa], volumes [m³].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray

_DEPTH: Final = 0.25  # of the top: relief valves reseat within 20 %, sampling adds to it
_SHARP: Final = 0.005  # of a setting: how well a valve opens again where it did
_WORSE: Final = 1.5  # times softer a line may be than its climb has shown
_HELD: Final = 1.0  # times its climb a closed line would have gone on to climb
_LEAST_HELD: Final = 4.0  # times the width of a ceiling, for the same
_ROWS: Final = 4
_AFTER: Final = 60.0  # s after the last heat from which a line that is closed stays


@dataclass(frozen=True, slots=True)
class Top:
    """A height [Pa] from which the line dropped at once, or at which it stayed, while it was heated.

    ``low``: to where it dropped (the height itself where it stayed); ``volume``: growth that raised no pressure.
    """

    at: float
    height: float
    low: float
    stayed: bool
    volume: float = 0.0


@dataclass(frozen=True, slots=True)
class Climb:
    """One burn: from ``base`` [Pa] to its ``peak``, the ``width`` [Pa] within which heights are alike, its ``tops``.

    ``sagged``: what the line lost of its rise within minutes after the heat, NaN where nobody can tell.
    """

    at: float
    base: float
    peak: float
    width: float
    tops: tuple[Top, ...]
    sagged: float


def climb(time: FloatArray, p: FloatArray, volume: FloatArray, heated: int, noise: Noise) -> Climb | None:
    """Return what stopped the line in a burn whose first ``heated`` rows have heat arriving."""
    if heated < _ROWS:
        return None
    steps = np.diff(p[:heated])
    rising = steps[steps > 0.0]
    pace = float(np.median(rising)) if len(rising) else 0.0
    peak = float(np.max(p))
    width = max(2.0 * noise.sd + 0.5 * noise.resolution + 0.5 * pace, _SHARP * peak)
    drops: list[int] = np.flatnonzero(steps < -noise.step).tolist()
    tops = _teeth(time, p, drops, heated, width, noise)
    stayed = _stayed(time, p, volume, heated, width, drops)
    return Climb(
        float(time[heated - 1]),
        float(np.median(p[:3])),
        peak,
        width,
        (*tops, stayed) if stayed is not None else tops,
        _sagged(time, p, heated, noise),
    )


def _teeth(
    time: FloatArray, p: FloatArray, drops: list[int], heated: int, width: float, noise: Noise
) -> tuple[Top, ...]:
    """Return the tops to which heat has brought the line, and from which it dropped by a valve's depth at most."""
    found: list[Top] = []
    low, last = 0, -2
    for drop in drops:
        if drop == last + 1:  # a fall over several rows
            last = drop
            continue
        last = drop
        start = low + int(np.argmin(p[low : drop + 1]))
        height = float(np.max(p[max(drop - 1, start) : drop + 1]))
        end = min(drop + 3, heated)
        fell = float(np.min(p[drop + 1 : end]))
        low = drop + 1
        climbed = height - float(p[start])
        # Heat came before the drop and goes on after it; what leaves the line deeper down is a draw.
        if climbed > max(noise.step, width) and fell > (1.0 - _DEPTH) * height:
            found.append(Top(float(time[drop]), height, fell, stayed=False))
    return tuple(found)


def _stayed(
    time: FloatArray, p: FloatArray, volume: FloatArray, heated: int, width: float, drops: list[int]
) -> Top | None:
    """Return the height at which the line stayed though heat went on, None where it did not."""
    first = drops[0] + 1 if drops else heated
    if first < _ROWS:
        return None
    peak = float(np.max(p[:first]))
    reached = int(np.flatnonzero(p[:first] >= peak - 2.0 * width)[0])
    start = int(np.argmin(p[: reached + 1]))
    rise = float(p[reached] - p[start])
    grown = float(volume[reached] - volume[start])
    if reached == start or rise < _LEAST_HELD * width or grown <= 0.0 or first - reached < _ROWS:
        return None
    over = float(volume[first - 1] - volume[reached])
    further = over * rise / (_WORSE * grown)
    lowest = float(np.min(p[reached:first]))
    if further < max(_HELD * rise, _LEAST_HELD * width) or lowest < peak - 4.0 * width:
        return None
    return Top(float(time[reached]), peak, lowest, stayed=True, volume=over)


def _sagged(time: FloatArray, p: FloatArray, heated: int, noise: Noise) -> float:
    """Return the share of the rise that was lost soon after the heat, NaN where a draw hides it."""
    first = int(np.searchsorted(time, time[heated - 1] + _AFTER))
    if len(time) - first < _ROWS:
        return float("nan")
    after = p[first:]
    rise = float(after[0] - np.min(p[:heated]))
    if rise < 4.0 * noise.step or bool((np.diff(after) < -noise.step).any()):
        return float("nan")
    third = max(len(after) // 3, 1)
    return (float(np.mean(after[:third])) - float(np.mean(after[-third:]))) / rise
