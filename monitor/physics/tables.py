"""Fine tables of smooth functions of temperature and pressure, from a few values of a slow library.

The values stand at Chebyshev points, so that the polynomial through them follows a smooth function over
the whole span, ends included. A table is an array of rows: one for each power of pressure, and along each
row the coefficient at `STEPS` + 1 even steps of temperature.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from monitor.physics.bounds import FloatArray

STEPS: Final = 32_000
"""Over 100 K, 0.003 K each: the expansion of water then errs by 1e-12 per kelvin, also where it is zero."""


def nodes(low: float, high: float, count: int) -> FloatArray:
    """Return the ``count`` Chebyshev points between ``low`` and ``high``, rising."""
    return low + 0.5 * (chebyshev.chebpts1(count) + 1.0) * (high - low)


def slope(values: FloatArray, span: float) -> FloatArray:
    """Return, at the nodes over ``span``, the derivative of the polynomial through ``values``."""
    x = chebyshev.chebpts1(len(values))
    through = np.linalg.solve(chebyshev.chebvander(x, len(x) - 1), values)
    return np.asarray(chebyshev.chebval(x, chebyshev.chebder(through)) * (2.0 / span))


def fill(values: FloatArray, known: tuple[float, float], span: tuple[float, float]) -> FloatArray:
    """Return the table over the temperatures ``span``.

    Parameters
    ----------
    values : array
        One row for each of the `nodes` of temperature, one column for each of the nodes of pressure.
    known, span : tuple of float
        Lowest and highest temperature between which the nodes lie, and of the table.
    """
    count_t, count_p = values.shape
    low, high = known
    x = 2.0 * (np.linspace(*span, STEPS + 1) - low) / (high - low) - 1.0
    points_t, points_p = chebyshev.chebpts1(count_t), chebyshev.chebpts1(count_p)
    by_power = np.linalg.solve(np.vander(points_p, increasing=True), values.T)
    through = np.linalg.solve(chebyshev.chebvander(points_t, count_t - 1), by_power.T)
    return np.ascontiguousarray(chebyshev.chebval(x, through), dtype=np.float64)


def look_up(table: FloatArray, x_t: FloatArray, x_p: FloatArray) -> FloatArray:
    """Return the function at temperature ``x_t``, 0 to 1, and pressure ``x_p``, -1 to 1, of its span."""
    position = x_t * STEPS
    row = np.minimum(position.astype(np.intp), STEPS - 1)
    along = position - row
    value = _between(table[-1], row, along)
    for coefficient in table[-2::-1]:
        value = value * x_p + _between(coefficient, row, along)
    return np.asarray(value, dtype=np.float64)


def _between(column: FloatArray, row: NDArray[np.intp], along: FloatArray) -> FloatArray:
    low = column.take(row)
    return low + along * (column.take(row + 1) - low)
