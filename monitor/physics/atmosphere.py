"""Air pressure by altitude: gauges read above it, gas laws need it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, overload

import numpy as np

from monitor.physics.bounds import FloatArray, within

SEA_LEVEL: Final = 101_325.0
"""Standard pressure at sea level. [Pa] (ISO 2533:1975)"""

LOWEST: Final = -2000.0
HIGHEST: Final = 11_000.0
"""Ends of the troposphere as the standard tabulates it. [m]"""

_LAPSE: Final = 0.0065  # K/m
_T0: Final = 288.15  # K
_EXPONENT: Final = 5.255_876  # g / (R * lapse) = 9.80665 / (287.05287 * 0.0065)


@overload
def pressure_at(altitude: float) -> float: ...
@overload
def pressure_at(altitude: FloatArray | Sequence[float]) -> FloatArray: ...
def pressure_at(altitude: float | FloatArray | Sequence[float]) -> float | FloatArray:
    """Return the pressure of the standard atmosphere.

    The air of a day is within 3 % of it, and at one place within 5 % over the years (common experience):
    that much stays in an absolute pressure made from a gauge reading.

    Parameters
    ----------
    altitude : float or array_like
        Geopotential altitude. [m], -2000 to 11000: the height above the sea, short by 0.03 % at 2000 m.

    Returns
    -------
    float or ndarray
        Absolute pressure. [Pa]

    Raises
    ------
    OutOfRangeError
        If ``altitude`` is outside the troposphere of the standard, with the first such altitude.

    Examples
    --------
    >>> round(pressure_at(500.0))
    95461
    >>> pressure_at([0.0, 1609.344]).round()
    array([101325.,  83428.])

    References
    ----------
    .. [1] ISO 2533:1975, Standard Atmosphere, Eq. 12 (the same as US Standard Atmosphere 1976 below 11 km).
    """
    if isinstance(altitude, float) and LOWEST <= altitude <= HIGHEST:  # at the speed of a float
        return SEA_LEVEL * math.pow(1.0 - _LAPSE * altitude / _T0, _EXPONENT)
    heights = within(altitude, "altitude", "m", LOWEST, HIGHEST)
    pressure = SEA_LEVEL * (1.0 - _LAPSE * heights / _T0) ** _EXPONENT
    return float(pressure) if np.ndim(altitude) == 0 else np.asarray(pressure, dtype=np.float64)
