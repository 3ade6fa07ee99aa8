"""Air pressure by altitude: gauges read above it, gas laws need it."""

from __future__ import annotations

from typing import Final

from monitor.errors import OutOfRangeError

SEA_LEVEL: Final = 101_325.0
"""Standard pressure at sea level. [Pa] (ISO 2533:1975)"""

_LAPSE: Final = 0.0065  # K/m
_T0: Final = 288.15  # K
_EXPONENT: Final = 5.255_876  # g / (R * lapse) = 9.80665 / (287.05287 * 0.0065)


def pressure_at(altitude: float) -> float:
    """Return the pressure of the standard atmosphere.

    Parameters
    ----------
    altitude : float
        Geopotential altitude. [m], -2000 to 11000.

    Returns
    -------
    float
        Absolute pressure. [Pa]

    Raises
    ------
    OutOfRangeError
        If ``altitude`` is outside the troposphere of the standard.

    Examples
    --------
    >>> round(pressure_at(500.0))
    95461

    References
    ----------
    .. [1] ISO 2533:1975, Standard Atmosphere, Eq. 12 (the same as US Standard Atmosphere 1976 below 11 km).
    """
    if not -2000.0 <= altitude <= 11_000.0:
        raise OutOfRangeError(f"altitude {altitude:g} m is outside -2000..11000 m (ISO 2533)")
    return float(SEA_LEVEL * (1.0 - _LAPSE * altitude / _T0) ** _EXPONENT)
