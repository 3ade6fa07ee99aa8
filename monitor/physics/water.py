"""Liquid water by IAPWS R6-95: density, thermal expansion, heat capacity, compressibility.

The functions of `monitor.physics.fluids.water`, for whoever has no other fluid in mind.
"""

from __future__ import annotations

from typing import Final

from numpy.typing import ArrayLike

from monitor.physics import fluids
from monitor.physics.bounds import FloatArray

T_MIN: Final = 0.0
T_MAX: Final = fluids.T_MAX
P_MIN: Final = fluids.P_MIN
P_MAX: Final = fluids.P_MAX


def density(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the density of liquid water. [kg/m³].

    Parameters
    ----------
    t : array_like
        Temperature. [°C], 0 to 110.
    p : array_like
        Absolute pressure. [Pa], 0.1e6 to 2e6.

    Raises
    ------
    OutOfRangeError
        If ``t`` or ``p`` is outside the table.

    References
    ----------
    .. [1] IAPWS R6-95(2018), through CoolProp 8.
    """
    return fluids.water().density(t, p)


def expansion_coefficient(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isobaric expansion coefficient (1/v)(dv/dT) of liquid water [1/K]; arguments as `density`."""
    return fluids.water().expansion_coefficient(t, p)


def heat_capacity(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isobaric heat capacity of liquid water [J/(kg K)]; arguments as `density`."""
    return fluids.water().heat_capacity(t, p)


def compressibility(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isothermal compressibility of liquid water [1/Pa]; arguments as `density`."""
    return fluids.water().compressibility(t, p)


def expansion_per_joule(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the volume that water gains for each joule of heat put into it at ``t``. [m³/J].

    beta / (rho cp): the mass cancels, so it is the temperature of the water that takes the heat that
    counts, not the amount. Arguments and errors as `density`.

    Examples
    --------
    >>> round(float(expansion_per_joule(60.0) / expansion_per_joule(20.0)), 2)
    2.57
    """
    return fluids.water().expansion_per_joule(t, p)


def swelling(t1: ArrayLike, t2: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the volume gained on heating from ``t1`` to ``t2`` over the volume at ``t1``. [-].

    v(t2)/v(t1) - 1; arguments and errors as `density`.
    """
    return fluids.water().swelling(t1, t2, p)
