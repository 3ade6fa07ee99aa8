"""What a closed system is filled with: water, or glycol in water, and how each swells when heated.

The values come from the library CoolProp, once for each fluid: at 20 temperatures and a few pressures
(Chebyshev points, through which a polynomial follows the library to 1e-9 and better). A table of 32 000
steps then serves numpy arrays at the speed of a linear interpolation. No home-made correlations.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.errors import OutOfRangeError
from monitor.physics import tables
from monitor.physics.bounds import FloatArray, within

P_MIN: Final = 0.1e6
P_MAX: Final = 2.0e6
T_MAX: Final = 110.0
"""Where the table of water ends: heating systems by EN 12828 run up to 105 °C. [°C]"""

T_MAX_MIXTURE: Final = 100.0
"""Where the library's mixtures end. [°C]"""

ZERO: Final = 273.15  # K
TRIPLE_POINT: Final = 0.01  # °C, where the library's liquid water begins

ATMOSPHERE: Final = 101_325.0  # Pa
MAX_MASS_SHARE: Final = 0.6
"""Where the library's mixtures end."""

MIXTURE_COMPRESSIBILITY: Final = 0.42e-9
"""Isothermal compressibility of glycol in water. [1/Pa], uncertain by 15 %: the library has none.

Between water, 0.44e-9 to 0.49e-9 (IAPWS R6-95, 0 to 100 °C), propylene glycol, 0.48e-9 at 20 °C (Eisenbach
et al., J. Phys. Chem. Ref. Data 50 (2021) 023105) and ethylene glycol, 0.37e-9 at 25 °C (from a speed of
sound of 1658 m/s, in tables for ultrasonic instruments); water-rich mixtures pass through a minimum near
0.36e-9 (from memory). 15 % of it moves density by 0.01 % over 2 MPa and the swelling not at all.
"""

MIXTURE_SWELLING_UNCERTAINTY: Final = 0.20
"""Share by which the served swelling of a mixture, filled cold and heated, may be too large; see `glycol`."""

_NODES: Final = 20  # temperatures at which the library is asked


class Glycol(StrEnum):
    """Which glycol is mixed with water; the value is how it is written in a file or on a command line."""

    PROPYLENE = "propylene"
    ETHYLENE = "ethylene"


_MODEL: Final = {Glycol.PROPYLENE: "MPG", Glycol.ETHYLENE: "MEG"}
_WATER_DENSITY: Final = 998.2  # kg/m³ at 20 °C, as the glycols: CRC Handbook of Chemistry and Physics
_PURE_DENSITY: Final = {Glycol.PROPYLENE: 1036.1, Glycol.ETHYLENE: 1113.5}


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
        x_t = (temperature - self.t_min) / (self.t_max - self.t_min)
        x_p = (pressure - self.p_min) * (2.0 / (self.p_max - self.p_min)) - 1.0
        return tables.look_up(self._tables[name], x_t, x_p)


def _check(values: FloatArray, low: float, high: float, unit: str, what: str, source: str) -> None:
    # Not a number fails both comparisons.
    if values.min(initial=high) >= low and values.max(initial=low) <= high:
        return
    first = float(values[~((values >= low) & (values <= high))].flat[0])
    raise OutOfRangeError(f"{what} {first:g} {unit} is outside {low:g}..{high:g} {unit} ({source})")


@lru_cache(maxsize=1)
def water() -> Fluid:
    """Return liquid water, 0 to 110 °C and 0.1 to 2 MPa, metastable where it would boil or freeze.

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

    t, p = tables.nodes(TRIPLE_POINT, T_MAX, _NODES), tables.nodes(P_MIN, P_MAX, 4)
    kelvin, pascal = (grid.ravel() for grid in np.meshgrid(t + ZERO, p, indexing="ij"))

    def of(name: str) -> FloatArray:
        # The phase is imposed: at 0.1 MPa the stable state above 100 °C is steam.
        values = PropsSI(name, "T|liquid", kelvin, "P", pascal, "HEOS::Water")
        return np.asarray(values, dtype=np.float64).reshape(len(t), len(p))

    values = {
        "density": of("D"),
        "expansion": of("ISOBARIC_EXPANSION_COEFFICIENT"),
        "heat_capacity": of("C"),
        "compressibility": of("ISOTHERMAL_COMPRESSIBILITY"),
    }
    served = _served(values, (TRIPLE_POINT, T_MAX), (0.0, T_MAX))
    return Fluid("water", 0.0, T_MAX, P_MIN, P_MAX, 0.0, "IAPWS R6-95", served)


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

    Notes
    -----
    The source is for glycol without inhibitors and rests on data up to 40 °C; above, it is extrapolated.
    Filled at 10 to 20 °C, heated to 60 to 80 °C and 30 to 50 % by volume it swells 2 to 20 % more than the
    tables of the handbook [2]_ for inhibited glycol (from 40 to 80 °C 1 to 10 % more), is up to 1 % lighter,
    and its heat capacity differs by 1 %. Ethylene glycol freezes up to 2.2 K lower at 50 %, 2.9 K at 60 %.
    Towards no glycol at all it does not run into `water`, but misses it by 0.1 % in density and 3 % in
    swelling. It has no pressure: `MIXTURE_COMPRESSIBILITY` adds it to density.

    References
    ----------
    .. [1] Å. Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010,
       through CoolProp 8 (INCOMP::MPG, INCOMP::MEG).
    .. [2] ASHRAE Handbook Fundamentals 2001, ch. 21, tables of aqueous ethylene and propylene glycol.

    Examples
    --------
    >>> half = glycol(Glycol.PROPYLENE, mass_share(Glycol.PROPYLENE, 0.5))
    >>> round(half.freezing, 1)
    -33.6
    """
    share, kind = round(float(mass_share), 9), Glycol(kind)  # 0.2 + 0.4 is above 0.6 by a rounding error
    within(share, f"mass share of {kind} glycol", "", 0.0, MAX_MASS_SHARE)
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415  # as in `water`

    model = f"INCOMP::{_MODEL[kind]}[{share!r}]"
    freezing = float(PropsSI("T_freeze", "T", T_MAX_MIXTURE + ZERO, "P", P_MAX, model)) - ZERO
    name = f"{100.0 * share:.3g} % {kind} glycol"
    source = f"freezes at {freezing:.1f} °C; Melinder 2010"
    served = _served(_mixture(model, freezing), (freezing, T_MAX_MIXTURE), (freezing, T_MAX_MIXTURE))
    return Fluid(name, freezing, T_MAX_MIXTURE, P_MIN, P_MAX, freezing, source, served)


def _mixture(model: str, freezing: float) -> dict[str, FloatArray]:
    """Return the properties of one of the library's mixtures at the nodes from ``freezing`` to `T_MAX_MIXTURE`."""
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415

    t, p = tables.nodes(freezing, T_MAX_MIXTURE, _NODES), tables.nodes(P_MIN, P_MAX, 2)
    state = ("T", t + ZERO, "P", np.full_like(t, P_MAX), model)
    density, heat_capacity = (np.asarray(PropsSI(name, *state), np.float64) for name in ("D", "C"))
    expansion = -tables.slope(density, T_MAX_MIXTURE - freezing) / density
    pressed = 1.0 + MIXTURE_COMPRESSIBILITY * (p - ATMOSPHERE)
    any_t, any_p = np.ones_like(t), np.ones_like(p)
    return {
        "density": np.outer(density, pressed),
        "expansion": np.outer(expansion, any_p),
        "heat_capacity": np.outer(heat_capacity, any_p),
        "compressibility": np.outer(any_t, MIXTURE_COMPRESSIBILITY / pressed),
    }


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
    within(volume_share, f"volume share of {kind} glycol", "", 0.0, 1.0)
    heavy = volume_share * _PURE_DENSITY[kind]
    return heavy / (heavy + (1.0 - volume_share) * _WATER_DENSITY)


def _served(
    values: dict[str, FloatArray], nodes: tuple[float, float], span: tuple[float, float]
) -> dict[str, FloatArray]:
    """Return the table of each property, expansion per joule among them, for a fluid's temperatures."""
    per_joule = values["expansion"] / (values["density"] * values["heat_capacity"])
    return {name: tables.fill(grid, nodes, span) for name, grid in {**values, "per_joule": per_joule}.items()}
