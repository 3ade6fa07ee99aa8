"""Energy of a heater: how fast it heats, what it loses, and how fast its water grows.

Energy balances of the whole content; layers in the heater are the simulator's and the estimator's affair.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, above, within
from monitor.physics.fluids import Fluid, water

PRESSURE: Final = 0.5e6
"""Absolute pressure at which properties are taken unless told. [Pa]: 4 bar gauge; 1 MPa more costs 0.1 %."""

MOST_EFFICIENT: Final = 6.0
"""Heat into the water over input, at most: a heat pump's coefficient of performance. [-]"""

_EFFICIENCY: Final = "efficiency (0.77 means 77 %)"

# Gauss-Legendre: five points are right to 1e-6 over 0 to 100 °C, where cp of water bends most near 0.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


def heat_to_warm(
    t1: ArrayLike, t2: ArrayLike, fluid: Fluid | None = None, p: ArrayLike = PRESSURE
) -> FloatArray:
    """Return the heat that a kilogram takes from ``t1`` to ``t2``, the integral of cp. [J/kg].

    Parameters
    ----------
    t1, t2 : array_like
        Temperatures. [°C], in the range of ``fluid``
    fluid : Fluid, optional
        What is heated; water if not given.
    p : array_like
        Absolute pressure. [Pa]

    Raises
    ------
    OutOfRangeError
        If a temperature or pressure is outside the fluid's range.
    """
    cold, warm = np.broadcast_arrays(np.asarray(t1, np.float64), np.asarray(t2, np.float64))
    half, middle = 0.5 * (warm - cold), 0.5 * (warm + cold)
    filled = fluid or water()
    parts = (w * filled.heat_capacity(middle + x * half, p) for x, w in zip(_NODES, _WEIGHTS, strict=True))
    return np.asarray(half * sum(parts), dtype=np.float64)


def recovery_mass_rate(
    power: ArrayLike,
    efficiency: ArrayLike,
    t_cold: ArrayLike,
    t_hot: ArrayLike,
    fluid: Fluid | None = None,
    p: ArrayLike = PRESSURE,
) -> FloatArray:
    """Return the mass that a heater brings from ``t_cold`` to ``t_hot`` each second. [kg/s].

    P eff / integral of cp: the trade's gal/h = Btu/h eff / (8.33 dT in °F), without its rounded 8.33.

    Parameters
    ----------
    power : array_like
        Input, by fuel or electricity. [W], > 0
    efficiency : array_like
        Heat into the water over input. [-], above 0; above 1 for heat pumps, to 6
    t_cold, t_hot : array_like
        Temperatures of inlet and outlet. [°C], ``t_hot`` above ``t_cold``
    fluid, p
        As in `heat_to_warm`.

    Raises
    ------
    OutOfRangeError
        If a value is outside its range, with that value.

    Examples
    --------
    >>> round(float(recovery_mass_rate(4500.0, 1.0, 10.0, 50.0)) * 3600.0)  # kg/h
    97
    """
    cold, hot = np.asarray(t_cold, np.float64), np.asarray(t_hot, np.float64)
    above(hot - cold, "temperature rise", "K")
    return np.asarray(_heat(power, efficiency) / heat_to_warm(cold, hot, fluid, p), dtype=np.float64)


def recovery_volume_rate(
    power: ArrayLike,
    efficiency: ArrayLike,
    t_cold: ArrayLike,
    t_hot: ArrayLike,
    fluid: Fluid | None = None,
    p: ArrayLike = PRESSURE,
) -> FloatArray:
    """Return the recovery rate counted as cold water let in. [m³/s]; as `recovery_mass_rate`.

    Counted as hot water drawn it is 1 to 2 % more: `Fluid.swelling` from ``t_cold`` to ``t_hot``.
    """
    mass = recovery_mass_rate(power, efficiency, t_cold, t_hot, fluid, p)
    return np.asarray(mass / (fluid or water()).density(t_cold, p), dtype=np.float64)


def recovery_time(
    volume: ArrayLike,
    power: ArrayLike,
    efficiency: ArrayLike,
    t_cold: ArrayLike,
    t_hot: ArrayLike,
    fluid: Fluid | None = None,
    p: ArrayLike = PRESSURE,
) -> FloatArray:
    """Return how long a vessel of ``volume`` [m³] takes from cold to hot without a draw. [s].

    All that it holds cold is heated; the 1 to 2 % that is pushed out half-way makes it that much too long
    at most. Standby loss is left out: a tenth of a per cent of a burner's heat. As `recovery_mass_rate`.
    """
    held = within(volume, "volume", "m³", 0.0)
    return np.asarray(
        held / recovery_volume_rate(power, efficiency, t_cold, t_hot, fluid, p), dtype=np.float64
    )


def standby_loss(ua: ArrayLike, t_water: ArrayLike, t_air: ArrayLike) -> FloatArray:
    """Return the heat that a vessel loses to the room, UA (T - T_air). [W].

    Parameters
    ----------
    ua : array_like
        Heat loss coefficient of the whole vessel. [W/K], >= 0; from `loss_coefficient`
    t_water, t_air : array_like
        Mean temperature of the water, and of the room. [°C]
    """
    leak = within(ua, "loss coefficient", "W/K", 0.0)
    water_, air = _celsius(t_water, "water"), _celsius(t_air, "air")
    return np.asarray(leak * (water_ - air), dtype=np.float64)


def loss_coefficient(loss: ArrayLike, excess: ArrayLike) -> FloatArray:
    """Return UA of a standby loss that was measured or is on a plate. [W/K].

    Parameters
    ----------
    loss : array_like
        Standing loss. [W], >= 0; a plate's kWh in 24 h is 41.7 W
    excess : array_like
        Mean water temperature over the room's, at which the loss holds. [K], > 0; 45 K is common.
    """
    return np.asarray(within(loss, "standby loss", "W", 0.0) / above(excess, "temperature excess", "K"))


def cooled(
    t: ArrayLike, t_air: ArrayLike, ua: ArrayLike, heat_capacity: ArrayLike, seconds: ArrayLike
) -> FloatArray:
    """Return the temperature of a vessel that stands idle for ``seconds``. [°C].

    T_air + (T - T_air) exp(-UA s / C), with the heat capacity C of water and metal in J/K.
    """
    capacity = above(heat_capacity, "heat capacity", "J/K")
    leak = within(ua, "loss coefficient", "W/K", 0.0)
    time = within(seconds, "time", "s", 0.0)
    start, air = _celsius(t, "water"), _celsius(t_air, "air")
    return np.asarray(air + (start - air) * np.exp(-leak * time / capacity), dtype=np.float64)


def growth_rate(
    power: ArrayLike,
    efficiency: ArrayLike,
    t: ArrayLike,
    fluid: Fluid | None = None,
    p: ArrayLike = PRESSURE,
) -> FloatArray:
    """Return how fast the water grows while it is heated. [m³/s].

    P eff beta / (rho cp) at the temperature ``t`` [°C] of the water that takes the heat: the amount of
    water does not matter. Arguments as `recovery_mass_rate`.

    Examples
    --------
    >>> round(float(growth_rate(11.7e3, 0.77, 50.0)) * 60e6)  # mL/min
    60
    """
    return np.asarray(_heat(power, efficiency) * (fluid or water()).expansion_per_joule(t, p))


def _heat(power: ArrayLike, efficiency: ArrayLike) -> FloatArray:
    share = within(above(efficiency, "efficiency", ""), _EFFICIENCY, "", 0.0, MOST_EFFICIENT)
    return np.asarray(above(power, "heater input", "W") * share, dtype=np.float64)


def _celsius(t: ArrayLike, what: str) -> FloatArray:
    return within(t, f"{what} temperature", "°C", -50.0, 150.0)
