"""Liquid water by IAPWS R6-95: density, thermal expansion, heat capacity, compressibility.

The values come from the reference library CoolProp once, when first asked for; a table of 0.5 K by
five pressures then serves numpy arrays at the speed of an interpolation. No home-made polynomials.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.errors import OutOfRangeError

FloatArray = NDArray[np.float64]

T_MIN: Final = 0.0
T_MAX: Final = 100.0
P_MIN: Final = 0.1e6
P_MAX: Final = 2.0e6

_STEP: Final = 0.5  # K: linear interpolation then errs by less than 1e-6 in density
_PRESSURES: Final = (0.11e6, 0.5e6, 1.0e6, 1.5e6, 2.0e6)  # 0.11: water still boils above 100 °C there


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    t: FloatArray
    p: FloatArray
    density: FloatArray
    expansion: FloatArray
    heat_capacity: FloatArray
    compressibility: FloatArray


@lru_cache(maxsize=1)
def _table() -> _Table:
    # Imported here: CoolProp takes a moment to load, and commands such as --help need no water.
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415

    t = np.arange(T_MIN, T_MAX + _STEP / 2, _STEP)
    p = np.array(_PRESSURES)
    kelvin, pascal = (grid.ravel() for grid in np.meshgrid(t + 273.15, p, indexing="ij"))
    # The liquid line of IAPWS-95 starts at the triple point, 0.01 °C.
    kelvin = np.maximum(kelvin, 273.16)

    def of(name: str) -> FloatArray:
        values = PropsSI(name, "T", kelvin, "P", pascal, "HEOS::Water")
        return np.asarray(values, dtype=np.float64).reshape(len(t), len(p))

    return _Table(
        t, p, of("D"), of("ISOBARIC_EXPANSION_COEFFICIENT"), of("C"), of("ISOTHERMAL_COMPRESSIBILITY")
    )


def _lookup(grid: FloatArray, t: ArrayLike, p: ArrayLike) -> FloatArray:
    temperature, pressure = np.broadcast_arrays(np.asarray(t, np.float64), np.asarray(p, np.float64))
    _check(temperature, T_MIN, T_MAX, "water temperature", "°C")
    _check(pressure, P_MIN, P_MAX, "absolute pressure", "Pa")
    table = _table()
    position = temperature / _STEP
    row = np.minimum(position.astype(np.intp), len(table.t) - 2)
    along_t = position - row
    column = np.clip(np.searchsorted(table.p, pressure, side="right") - 1, 0, len(table.p) - 2)
    along_p = (pressure - table.p[column]) / (table.p[column + 1] - table.p[column])
    low = grid[row, column] * (1 - along_t) + grid[row + 1, column] * along_t
    high = grid[row, column + 1] * (1 - along_t) + grid[row + 1, column + 1] * along_t
    return np.asarray(low * (1 - along_p) + high * along_p, dtype=np.float64)


def _check(values: FloatArray, low: float, high: float, what: str, unit: str) -> None:
    bad = ~((values >= low) & (values <= high))
    if bad.any():
        first = float(values[bad].flat[0])
        raise OutOfRangeError(
            f"{what} {first:g} {unit} is outside {low:g}..{high:g} {unit} (table of IAPWS R6-95)"
        )


def density(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the density of liquid water. [kg/m³].

    Parameters
    ----------
    t : array_like
        Temperature. [°C], 0 to 100.
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
    return _lookup(_table().density, t, p)


def expansion_coefficient(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isobaric expansion coefficient (1/v)(dv/dT) of liquid water [1/K]; arguments as `density`."""
    return _lookup(_table().expansion, t, p)


def heat_capacity(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isobaric heat capacity of liquid water [J/(kg K)]; arguments as `density`."""
    return _lookup(_table().heat_capacity, t, p)


def compressibility(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the isothermal compressibility of liquid water [1/Pa]; arguments as `density`."""
    return _lookup(_table().compressibility, t, p)


@lru_cache(maxsize=1)
def _per_joule() -> FloatArray:
    table = _table()
    return table.expansion / (table.density * table.heat_capacity)


def expansion_per_joule(t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the volume that water gains for each joule of heat put into it at ``t``. [m³/J].

    beta / (rho cp): the mass cancels, so it is the temperature of the water that takes the heat that
    counts, not the amount. Arguments and errors as `density`.

    Examples
    --------
    >>> round(float(expansion_per_joule(60.0) / expansion_per_joule(20.0)), 2)
    2.57
    """
    return _lookup(_per_joule(), t, p)


def swelling(t1: ArrayLike, t2: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
    """Return the volume gained on heating from ``t1`` to ``t2`` over the volume at ``t1``. [-].

    v(t2)/v(t1) - 1; arguments and errors as `density`.
    """
    return density(t1, p) / density(t2, p) - 1.0
