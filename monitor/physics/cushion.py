"""The air cushion and the elastic line around it.

All pressures absolute [Pa], volumes [m³]. The *air* of a cushion is written ``A = p V`` [J]: for the slow
compression of a heating cycle (isothermal, n = 1) it is constant whatever water stands in the tank, and
``A = (air charge) x (tank volume)`` with the air charge as gauged on the relieved tank.
"""

from __future__ import annotations

import math
from typing import Final

from monitor.errors import OutOfRangeError
from monitor.physics.solids import STEEL

STEEL_LINEAR_EXPANSION: Final = STEEL.linear_expansion
"""Linear expansion of a steel shell. [1/K]"""

SHELL_COMPLIANCE: Final = 0.5e-9
"""Growth of a steel storage shell per its volume and pressure. [1/Pa]

Thin-walled cylinder, (D / (2 t E)) (5/2 - 2 nu) with D/t = 110, E = 200 GPa, nu = 0.3: 0.52e-9.
"""


def taken_up(air: float, elastic: float, p1: float, p2: float, charge: float = 0.0) -> float:
    """Return the volume that cushion and line take as pressure goes from ``p1`` to ``p2``.

    A (1/p1 - 1/p2) + Ce (p2 - p1); below ``charge`` the bladder lies on its stop and only the line gives.

    Parameters
    ----------
    air : float
        A = p V of the cushion. [J], >= 0
    elastic : float
        Ce, compliance of shell, pipes, water and trapped air. [m³/Pa], >= 0
    p1, p2 : float
        Absolute pressures. [Pa], > 0
    charge : float
        Absolute pressure below which the bladder rests on its stop. [Pa]

    Raises
    ------
    OutOfRangeError
        If a pressure is not positive, or ``air`` or ``elastic`` is negative.

    Examples
    --------
    >>> round(1e6 * taken_up(air=4000.0, elastic=0.0, p1=400e3, p2=500e3))  # mL
    2000
    """
    _check(air, elastic, p1, p2)
    low, high = max(p1, charge), max(p2, charge)
    return air * (1.0 / low - 1.0 / high) + elastic * (p2 - p1)


def pressure_after(air: float, elastic: float, p1: float, volume: float, charge: float = 0.0) -> float:
    """Return the pressure [Pa] after ``volume`` [m³] >= 0 was pushed into cushion and line at ``p1``.

    The inverse of `taken_up`; parameters and errors as there. Infinite where nothing gives.
    """
    _check(air, elastic, p1, p1)
    if volume < 0.0:
        raise OutOfRangeError(f"volume {volume:g} m³ is negative: cooling is not an expansion")
    on_stop = max(charge - p1, 0.0)
    if volume <= elastic * on_stop:
        return p1 + volume / elastic if elastic > 0.0 else p1
    start = p1 + on_stop
    rest = volume - elastic * on_stop
    if elastic == 0.0:
        share = rest * start / air if air > 0.0 else math.inf
        return start / (1.0 - share) if share < 1.0 else math.inf
    # Ce x² + (A/p - Ce p - V) x - A = 0 for x = p2, written for the rise to keep digits.
    b = air / start - elastic * start - rest
    root = math.sqrt(b * b + 4.0 * elastic * air)
    return (root - b) / (2.0 * elastic) if b <= 0.0 else 2.0 * air / (root + b)


def compliance(air: float, elastic: float, p: float) -> float:
    """Return dV/dp of cushion and line at absolute pressure ``p``. [m³/Pa]."""
    _check(air, elastic, p, p)
    return air / (p * p) + elastic


def _check(air: float, elastic: float, p1: float, p2: float) -> None:
    if not (air >= 0.0 and elastic >= 0.0):
        raise OutOfRangeError(f"air {air:g} J and elastic {elastic:g} m³/Pa must not be negative")
    if not (p1 > 0.0 and p2 > 0.0):
        raise OutOfRangeError(
            f"absolute pressures {p1:g} and {p2:g} Pa must be above 0: is one of them gauge?"
        )
