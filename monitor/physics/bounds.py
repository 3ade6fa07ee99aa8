"""The one way in which a physical quantity that is out of range is refused."""

from __future__ import annotations

import sys
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.errors import OutOfRangeError

FloatArray = NDArray[np.float64]

LARGEST: Final = sys.float_info.max
"""An end that is open, except to infinity."""


def within(values: ArrayLike, what: str, unit: str, low: float, high: float = LARGEST) -> FloatArray:
    """Return ``values`` as float64, all of them from ``low`` to ``high``, both included, and finite.

    Parameters
    ----------
    values : array_like
        The quantity, in ``unit``.
    what, unit : str
        How a message names it; the unit may be empty.
    low, high : float
        Allowed range; without ``high`` any finite number from ``low`` on.

    Raises
    ------
    OutOfRangeError
        With the first value that is outside, or no finite number.
    """
    array = np.asarray(values, dtype=np.float64)
    good = (array >= low) & (array <= high)  # not a number fails both comparisons
    if not good.all():
        allowed = f"must be at least {low:g}" if high == LARGEST else f"is outside {low:g}..{high:g}"
        raise OutOfRangeError(_message(what, _first(array, good), unit, allowed))
    return array


def above(values: ArrayLike, what: str, unit: str, low: float = 0.0) -> FloatArray:
    """Return ``values`` as float64, all of them above ``low`` and finite; errors as `within`."""
    array = np.asarray(values, dtype=np.float64)
    good = (array > low) & (array <= LARGEST)
    if not good.all():
        raise OutOfRangeError(_message(what, _first(array, good), unit, f"must be above {low:g}"))
    return array


def _first(array: FloatArray, good: NDArray[np.bool_]) -> float:
    return float(array[~good].flat[0])


def _message(what: str, value: float, unit: str, allowed: str) -> str:
    unit = f" {unit}" if unit else ""
    return f"{what} {value:g}{unit} {allowed}{unit}"
