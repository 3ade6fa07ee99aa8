"""The one way in which a physical quantity that is out of range is refused."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.errors import OutOfRangeError

FloatArray = NDArray[np.float64]


def within(values: ArrayLike, what: str, unit: str, low: float, high: float = math.inf) -> FloatArray:
    """Return ``values`` as float64, all of them from ``low`` to ``high``, both included, and finite.

    Parameters
    ----------
    values : array_like
        The quantity, in ``unit``.
    what, unit : str
        How a message names it.
    low, high : float
        Allowed range; an infinite end is open.

    Raises
    ------
    OutOfRangeError
        With the first value that is outside, or no finite number.
    """
    array = np.asarray(values, dtype=np.float64)
    return _checked(array, (array >= low) & (array <= high), f"{what} {{:g}} {unit}{_range(low, high, unit)}")


def above(values: ArrayLike, what: str, unit: str, low: float = 0.0) -> FloatArray:
    """Return ``values`` as float64, all of them above ``low`` and finite; errors as `within`."""
    array = np.asarray(values, dtype=np.float64)
    return _checked(array, array > low, f"{what} {{:g}} {unit} must be above {low:g} {unit}")


def _checked(array: FloatArray, good: NDArray[np.bool_], message: str) -> FloatArray:
    bad = ~(good & np.isfinite(array))
    if bad.any():
        raise OutOfRangeError(message.format(float(array[bad].flat[0])))
    return array


def _range(low: float, high: float, unit: str) -> str:
    if math.isinf(high):
        return f" must be at least {low:g} {unit}"
    return f" is outside {low:g}..{high:g} {unit}"
