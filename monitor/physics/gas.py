"""Gas behind the diaphragm: p Vⁿ = const, and a sealed gas that is warmed.

n = 1 (isothermal) holds where the wall keeps the gas at its temperature: heating takes tens of minutes, and
every published sizing formula uses it. n = 1.4 (adiabatic air or nitrogen) holds for a blow of seconds.
What lies between depends on tank and time; take both ends as the bounds. Absolute pressures unless a name
says gauge. Air as an ideal gas: at 20 °C and 2 MPa its Z is within 1 % of one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.atmosphere import SEA_LEVEL
from monitor.physics.bounds import LARGEST, FloatArray, above, within

ISOTHERMAL: Final = 1.0
ADIABATIC: Final = 1.4
"""cp/cv of a gas of two-atom molecules, 7/5 by equipartition; air and nitrogen at room temperature."""

_KELVIN: Final = 273.15


def pressure_after(p1: ArrayLike, v1: ArrayLike, volume: ArrayLike, n: ArrayLike = ISOTHERMAL) -> FloatArray:
    """Return the pressure after ``volume`` of water has come to where ``v1`` of gas was at ``p1``. [Pa].

    p1 (v1 / (v1 - volume))ⁿ; infinite where the water takes all the room. A negative volume is taken out.

    Parameters
    ----------
    p1 : array_like
        Absolute pressure. [Pa], > 0
    v1 : array_like
        Volume of the gas at ``p1``. [m³], > 0
    volume : array_like
        Volume pushed in. [m³]
    n : array_like
        Exponent. [-], 1 (slow) to 1.4 (a shock).

    Raises
    ------
    OutOfRangeError
        If a value is outside its range, with that value.

    Examples
    --------
    >>> float(pressure_after(400e3, 10e-3, 2e-3))
    500000.0
    """
    pressure, gas, exponent = _pressure(p1), above(v1, "gas volume", "m³"), _exponent(n)
    pushed = within(volume, "volume pushed in", "m³", -LARGEST)
    left = np.maximum(gas - pushed, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(pressure * (gas / left) ** exponent, dtype=np.float64)


def volume_at(p1: ArrayLike, v1: ArrayLike, p2: ArrayLike, n: ArrayLike = ISOTHERMAL) -> FloatArray:
    """Return the gas volume at ``p2``: v1 (p1 / p2)^(1/n). [m³]; parameters and errors as `pressure_after`."""
    pressure, gas, exponent = _pressure(p1), within(v1, "gas volume", "m³", 0.0), _exponent(n)
    return np.asarray(gas * (pressure / _pressure(p2)) ** (1.0 / exponent), dtype=np.float64)


def taken_up(p1: ArrayLike, v1: ArrayLike, p2: ArrayLike, n: ArrayLike = ISOTHERMAL) -> FloatArray:
    """Return the water that a cushion takes from ``p1`` to ``p2``. [m³]; the inverse of `pressure_after`."""
    gas = within(v1, "gas volume", "m³", 0.0)
    return np.asarray(gas - volume_at(p1, gas, p2, n), dtype=np.float64)


def warmed(p: ArrayLike, t1: ArrayLike, t2: ArrayLike) -> FloatArray:
    """Return the absolute pressure of a sealed gas at ``t2`` that had ``p`` at ``t1``. [Pa].

    Gay-Lussac's law p T2/T1 for a rigid room; temperatures in °C, -40 to 150.
    """
    return np.asarray(_pressure(p) * _kelvin(t2) / _kelvin(t1), dtype=np.float64)


def gauge_warmed(
    gauge: ArrayLike, t1: ArrayLike, t2: ArrayLike, atmosphere: ArrayLike = SEA_LEVEL
) -> FloatArray:
    """Return what a gauge shows at ``t2`` that showed ``gauge`` at ``t1`` on a sealed gas. [Pa].

    An air charge is pumped in a cold room and read in a warm one: 50 psi at 20 °C are 54.4 psi at 40 °C.
    """
    outside = above(atmosphere, "atmospheric pressure", "Pa")
    return np.asarray(warmed(np.asarray(gauge, np.float64) + outside, t1, t2) - outside, dtype=np.float64)


def temperature_after(t1: ArrayLike, p1: ArrayLike, p2: ArrayLike, n: ArrayLike = ADIABATIC) -> FloatArray:
    """Return the temperature of the gas right after a compression from ``p1`` to ``p2``. [°C].

    T1 (p2/p1)^((n-1)/n) in kelvin: what a shock does to the gas before the wall has cooled it.
    """
    exponent = _exponent(n)
    ratio = _pressure(p2) / _pressure(p1)
    return np.asarray(_kelvin(t1) * ratio ** ((exponent - 1.0) / exponent) - _KELVIN, dtype=np.float64)


def _pressure(p: ArrayLike) -> FloatArray:
    return above(p, "absolute pressure", "Pa")


def _kelvin(t: ArrayLike) -> FloatArray:
    return within(t, "gas temperature", "°C", -40.0, 150.0) + _KELVIN


def _exponent(n: ArrayLike) -> FloatArray:
    return within(n, "exponent n", "", ISOTHERMAL, ADIABATIC)
