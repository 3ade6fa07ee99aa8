"""What a closed system is filled with: water, or glycol in water, and how each swells when heated.

The values come from the library CoolProp, once for each fluid: at 20 temperatures and a few pressures
(Chebyshev points, through which a polynomial follows the library to 1e-9 and better). A table of 25 000
steps then serves numpy arrays at the speed of a linear interpolation. No home-made correlations.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from monitor.errors import OutOfRangeError

FloatArray = NDArray[np.float64]

P_MIN: Final = 0.1e6
P_MAX: Final = 2.0e6
T_MAX: Final = 100.0
ZERO: Final = 273.15  # K
TRIPLE_POINT: Final = 0.01  # °C, where the library's liquid water begins

ATMOSPHERE: Final = 101_325.0  # Pa
MAX_MASS_SHARE: Final = 0.6
"""Where the library's mixtures end."""

MIXTURE_COMPRESSIBILITY: Final = 0.42e-9
"""Isothermal compressibility of glycol in water. [1/Pa], uncertain by 15 %."""

_STEPS: Final = 25_000  # 0.004 K: expansion then errs by 1e-12 per kelvin, also where it crosses zero
_NODES: Final = 20


class Glycol(StrEnum):
    """Which glycol is mixed with water; the value is how it is written in a file or on a command line."""

    PROPYLENE = "propylene"
    ETHYLENE = "ethylene"


_MODEL: Final = {Glycol.PROPYLENE: "MPG", Glycol.ETHYLENE: "MEG"}
_PURE_DENSITY: Final = {Glycol.PROPYLENE: 1036.1, Glycol.ETHYLENE: 1113.5}
_WATER_DENSITY: Final = 998.2


@dataclass(frozen=True, slots=True, eq=False)
class Fluid:
    """A liquid over its range of temperature [°C] and absolute pressure [Pa].

    Every method takes numbers or arrays and broadcasts them; it raises `OutOfRangeError`, which names
    the value, the fluid and the range, outside ``t_min`` to ``t_max`` or ``p_min`` to ``p_max``.
    Get one from `water` or `glycol`.
    """

    name: str
    t_min: float
    t_max: float
    p_min: float
    p_max: float
    freezing: float
    source: str
    _tables: dict[str, FloatArray] = field(repr=False)

    def density(self, t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return the density. [kg/m³].

        Parameters
        ----------
        t : array_like
            Temperature. [°C]
        p : array_like
            Absolute pressure. [Pa]

        Raises
        ------
        OutOfRangeError
            If ``t`` or ``p`` is outside the fluid's range.
        """
        return self._lookup("density", t, p)

    def expansion_coefficient(self, t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return the isobaric expansion coefficient (1/v)(dv/dT) [1/K]; arguments as `density`."""
        return self._lookup("expansion", t, p)

    def heat_capacity(self, t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return the isobaric heat capacity [J/(kg K)]; arguments as `density`."""
        return self._lookup("heat_capacity", t, p)

    def compressibility(self, t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return the isothermal compressibility -(1/v)(dv/dp) [1/Pa]; arguments as `density`."""
        return self._lookup("compressibility", t, p)

    def expansion_per_joule(self, t: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return the volume gained for each joule put in at ``t``, beta/(rho cp) [m³/J]; as `density`.

        The mass cancels: it is the temperature of the liquid that takes the heat that counts.
        """
        return self._lookup("per_joule", t, p)

    def swelling(self, t1: ArrayLike, t2: ArrayLike, p: ArrayLike = 0.5e6) -> FloatArray:
        """Return v(t2)/v(t1) - 1 [-]: the volume gained from ``t1`` to ``t2`` over that at ``t1``."""
        return self.density(t1, p) / self.density(t2, p) - 1.0

    def _lookup(self, name: str, t: ArrayLike, p: ArrayLike) -> FloatArray:
        temperature, pressure = np.asarray(t, np.float64), np.asarray(p, np.float64)
        _check(temperature, self.t_min, self.t_max, "°C", f"{self.name} temperature", self.source)
        _check(pressure, self.p_min, self.p_max, "Pa", "absolute pressure", f"{self.name}, {self.source}")
        position = (temperature - self.t_min) * (_STEPS / (self.t_max - self.t_min))
        row = np.minimum(position.astype(np.intp), _STEPS - 1)
        along = position - row
        # From -1 to 1 over the range, so that the polynomial in pressure is well conditioned.
        x = (pressure - self.p_min) * (2.0 / (self.p_max - self.p_min)) - 1.0
        last, *others = self._tables[name][::-1]
        value = _between(last, row, along)
        for coefficient in others:
            value = value * x + _between(coefficient, row, along)
        return np.asarray(value, dtype=np.float64)


def _check(values: FloatArray, low: float, high: float, unit: str, what: str, source: str) -> None:
    # Not a number fails both comparisons.
    if values.min(initial=high) >= low and values.max(initial=low) <= high:
        return
    first = float(values[~((values >= low) & (values <= high))].flat[0])
    raise OutOfRangeError(f"{what} {first:g} {unit} is outside {low:g}..{high:g} {unit} ({source})")


def _between(column: FloatArray, row: NDArray[np.intp], along: FloatArray) -> FloatArray:
    low = column.take(row)
    return low + along * (column.take(row + 1) - low)


@lru_cache(maxsize=1)
def water() -> Fluid:
    """Return liquid water, 0 to 100 °C and 0.1 to 2 MPa, metastable where it would boil or freeze.

    References
    ----------
    .. [1] IAPWS R6-95(2018), through CoolProp 8 (HEOS::Water).

    Examples
    --------
    >>> round(float(water().density(20.0, 101_325.0)), 2)
    998.21
    """
    # Imported here: CoolProp takes a moment to load, and commands such as --help need no water.
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415

    t, p = _nodes(TRIPLE_POINT, T_MAX, _NODES), _nodes(P_MIN, P_MAX, 4)
    kelvin, pascal = (grid.ravel() for grid in np.meshgrid(t + ZERO, p, indexing="ij"))

    def of(name: str) -> FloatArray:
        # The phase is imposed: at 0.1 MPa the stable state at 100 °C is steam.
        values = PropsSI(name, "T|liquid", kelvin, "P", pascal, "HEOS::Water")
        return np.asarray(values, dtype=np.float64).reshape(len(t), len(p))

    values = {
        "density": of("D"),
        "expansion": of("ISOBARIC_EXPANSION_COEFFICIENT"),
        "heat_capacity": of("C"),
        "compressibility": of("ISOTHERMAL_COMPRESSIBILITY"),
    }
    tables = _tables(values, (TRIPLE_POINT, T_MAX), 0.0)
    return Fluid("water", 0.0, T_MAX, P_MIN, P_MAX, 0.0, "IAPWS R6-95", tables)


@lru_cache(maxsize=16)
def glycol(kind: Glycol, mass_share: float) -> Fluid:
    """Return a mixture of glycol and water from its freezing point to 100 °C, 0.1 to 2 MPa.

    Parameters
    ----------
    kind : Glycol
        Propylene or ethylene glycol.
    mass_share : float
        Mass of glycol over mass of mixture. [-], 0 to 0.6. From volumes: `mass_share`.

    Raises
    ------
    OutOfRangeError
        If ``mass_share`` is outside the library's range.

    References
    ----------
    .. [1] Å. Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010,
       through CoolProp 8 (INCOMP::MPG, INCOMP::MEG), density and heat capacity at any pressure.
    """
    if not 0.0 <= mass_share <= MAX_MASS_SHARE:
        raise OutOfRangeError(
            f"mass share {mass_share:g} of {kind} glycol is outside 0..{MAX_MASS_SHARE:g} (Melinder 2010)"
        )
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415

    model = f"INCOMP::{_MODEL[kind]}[{mass_share!r}]"
    freezing = float(PropsSI("T_freeze", "T", T_MAX + ZERO, "P", P_MAX, model)) - ZERO
    t, p = _nodes(freezing, T_MAX, _NODES), _nodes(P_MIN, P_MAX, 2)
    at_any = {
        name: np.asarray(PropsSI(symbol, "T", t + ZERO, "P", np.full_like(t, P_MAX), model))
        for name, symbol in (("density", "D"), ("heat_capacity", "C"))
    }
    pressed = 1.0 + MIXTURE_COMPRESSIBILITY * (p - ATMOSPHERE)
    same = np.ones_like(p)
    values = {
        "density": np.outer(at_any["density"], pressed),
        "expansion": np.outer(-_slope(at_any["density"], T_MAX - freezing) / at_any["density"], same),
        "heat_capacity": np.outer(at_any["heat_capacity"], same),
        "compressibility": np.outer(np.ones_like(t), MIXTURE_COMPRESSIBILITY / pressed),
    }
    name = f"{100.0 * mass_share:.3g} % {kind} glycol"
    source = f"freezes at {freezing:.1f} °C; Melinder 2010"
    tables = _tables(values, (freezing, T_MAX), freezing)
    return Fluid(name, freezing, T_MAX, P_MIN, P_MAX, freezing, source, tables)


def mass_share(kind: Glycol, volume_share: float) -> float:
    """Return the mass of glycol over that of the mixture, from the volumes poured together at 20 °C. [-].

    The trade's "30 % by volume": 30 L of glycol and 70 L of water, measured before they are mixed.

    Parameters
    ----------
    kind : Glycol
        Propylene or ethylene glycol.
    volume_share : float
        Volume of glycol over the sum of both volumes. [-], 0 to 1.

    Raises
    ------
    OutOfRangeError
        If ``volume_share`` is outside 0 to 1.

    Examples
    --------
    >>> round(mass_share(Glycol.ETHYLENE, 0.30), 3)
    0.323
    """
    if not 0.0 <= volume_share <= 1.0:
        raise OutOfRangeError(f"volume share {volume_share:g} of {kind} glycol is outside 0..1")
    heavy = volume_share * _PURE_DENSITY[kind]
    return heavy / (heavy + (1.0 - volume_share) * _WATER_DENSITY)


def _nodes(low: float, high: float, count: int) -> FloatArray:
    return low + 0.5 * (chebyshev.chebpts1(count) + 1.0) * (high - low)


def _slope(values: FloatArray, span: float) -> FloatArray:
    """Return the derivative at the nodes, over a span in kelvin, of the polynomial through ``values``."""
    x = chebyshev.chebpts1(len(values))
    through = np.linalg.solve(chebyshev.chebvander(x, len(x) - 1), values)
    return np.asarray(chebyshev.chebval(x, chebyshev.chebder(through)) * (2.0 / span))


def _tables(values: dict[str, FloatArray], nodes: tuple[float, float], t_min: float) -> dict[str, FloatArray]:
    """Return the table of each property: coefficients of powers of pressure, one row each, over temperature.

    ``values`` stand at the Chebyshev points of temperature (rows) and pressure (columns).
    """
    count_t, count_p = values["density"].shape
    x = np.linspace(t_min, T_MAX, _STEPS + 1)
    low, high = nodes
    fine = chebyshev.chebvander(2.0 * (x - low) / (high - low) - 1.0, count_t - 1)
    coarse = chebyshev.chebvander(chebyshev.chebpts1(count_t), count_t - 1)
    powers = np.vander(chebyshev.chebpts1(count_p), count_p, increasing=True)
    per_joule = values["expansion"] / (values["density"] * values["heat_capacity"])

    def refined(grid: FloatArray) -> FloatArray:
        along_p = np.linalg.solve(powers, grid.T)
        return np.ascontiguousarray((fine @ np.linalg.solve(coarse, along_p.T)).T)

    return {name: refined(grid) for name, grid in {**values, "per_joule": per_joule}.items()}
