"""Stretches of a burn in which nothing but heat can have moved the pressure.

A draw shows as a fall or as the leap with which the line fills again; hammer as a lone row.
Absolute pressures [Pa].
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray


def not_spikes(p: FloatArray, noise: Noise) -> NDArray[np.bool_]:
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
