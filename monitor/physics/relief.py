"""Relief valves by standard: where they open, where they give their full flow, where they shut.

Gauge pressures [Pa] throughout: a spring works against the room. The figures, and how sure each is, stand
in `monitor.physics.relief_standards`. The plate on the valve and the local code always win; a valve is
never plugged, capped or set higher.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, above
from monitor.physics.relief_standards import STANDARDS, Band, ReliefStandard, Sure

__all__: Final = [
    "STANDARDS",
    "Band",
    "ReliefStandard",
    "Sure",
    "full_flow",
    "opening_range",
    "reseat",
]


def opening_range(setting: ArrayLike, standard: ReliefStandard) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and the highest pressure at which a sound valve may begin to open. [Pa gauge].

    Parameters
    ----------
    setting : array_like
        Set pressure on the plate. [Pa gauge], > 0
    standard : ReliefStandard
        One of `STANDARDS`.

    Raises
    ------
    OutOfRangeError
        If a setting is not above 0.

    Examples
    --------
    >>> [round(float(p) / 6894.757, 1) for p in opening_range(150 * 6894.757, STANDARDS["ASME BPVC VIII-1"])]
    [145.5, 154.5]
    """
    plate = _setting(setting)
    return np.maximum(plate - standard.early.of(plate), 0.0), plate + standard.late.of(plate)


def full_flow(setting: ArrayLike, standard: ReliefStandard) -> FloatArray:
    """Return the pressure at which the valve gives its rated flow at the latest. [Pa gauge]."""
    plate = _setting(setting)
    return plate + standard.overpressure.of(plate)


def reseat(setting: ArrayLike, standard: ReliefStandard) -> FloatArray:
    """Return the lowest pressure at which a valve that has opened shuts again. [Pa gauge].

    0 where the standard sets no limit: such a valve may, by the letter, run the line empty.
    """
    plate = _setting(setting)
    if standard.blowdown is None:
        return np.zeros_like(plate)
    return np.maximum(plate - standard.blowdown.of(plate), 0.0)


def _setting(setting: ArrayLike) -> FloatArray:
    return above(setting, "relief setting", "Pa gauge")
