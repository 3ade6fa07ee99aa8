"""Where water boils: hot water in a closed system must stay under pressure."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from monitor.physics.bounds import within

_T_MIN: Final = 0.01
_T_MAX: Final = 150.0


@lru_cache(maxsize=256)
def saturation_pressure(t: float) -> float:
    """Return the pressure at which water at ``t`` boils. [abs Pa].

    Glycol in water lowers it: for a mixture the value of water is on the safe side.

    Parameters
    ----------
    t : float
        Temperature. [°C], 0.01 to 150.

    Raises
    ------
    OutOfRangeError
        If ``t`` is outside that range.

    Examples
    --------
    >>> round(saturation_pressure(100.0), -1)
    101420.0

    References
    ----------
    .. [1] IAPWS R6-95(2018), through CoolProp 8.
    """
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415 - takes a moment to load

    within(t, "temperature of boiling water", "°C", _T_MIN, _T_MAX)
    return float(PropsSI("P", "T", t + 273.15, "Q", 0, "HEOS::Water"))
