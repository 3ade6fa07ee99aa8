"""What vessels and pipes are made of: growth with heat, stiffness.

One mean value for each quantity and metal: between 0 and 100 °C the expansion of steel moves by 4 %, its
modulus by 4 %, which is far less than what is known of a plant's walls. PEX does change: see `at`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, within


@dataclass(frozen=True, slots=True)
class Material:
    """A wall's material.

    Attributes
    ----------
    name : str
        As people write it in settings.
    linear_expansion : float
        Mean coefficient alpha. [1/K]
    youngs_modulus : float
        E. [Pa]
    poisson : float
        nu. [-]
    """

    name: str
    linear_expansion: float
    youngs_modulus: float
    poisson: float


STEEL: Final = Material("steel", 11.7e-6, 200e9, 0.30)
"""Carbon steel. Expansion 6.5e-6 per °F: ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12 (second-hand)."""

STAINLESS_STEEL: Final = Material("stainless steel", 16.0e-6, 200e9, 0.30)
"""Austenitic (1.4301, 304), mean of 20 to 100 °C: EN 10088-1:2005, annex E (from memory)."""

COPPER: Final = Material("copper", 17.1e-6, 117e9, 0.34)
"""Expansion 9.5e-6 per °F: ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12 (second-hand)."""

PEX: Final = Material("PEX", 1.4e-4, 0.6e9, 0.46)
"""Cross-linked polyethylene at 20 °C, under a load of minutes; `at` gives other temperatures."""

_SOFTER_AT_80: Final = 1.0 / 3.0
_MORE_AT_100: Final = 0.65e-4  # 1/K

MATERIALS: Final[Mapping[str, Material]] = MappingProxyType(
    {material.name: material for material in (STEEL, STAINLESS_STEEL, COPPER, PEX)}
)


def shell_growth(volume: ArrayLike, material: Material, t1: ArrayLike, t2: ArrayLike) -> FloatArray:
    """Return how much a vessel's or pipe's inside grows when its wall goes from ``t1`` to ``t2``. [m³].

    3 alpha (t2 - t1) V, negative on cooling. The exact (1 + alpha dt)³ - 1 is 0.1 % more for steel and 80 K.
    """
    held = within(volume, "volume", "m³", 0.0)
    cold = within(t1, "wall temperature", "°C", -50.0, 200.0)
    warm = within(t2, "wall temperature", "°C", -50.0, 200.0)
    return np.asarray(3.0 * material.linear_expansion * (warm - cold) * held, dtype=np.float64)


def at(material: Material, t: float) -> Material:
    """Return ``material`` with its modulus and expansion at wall temperature ``t`` [°C], 0 to 95.

    Only PEX changes: 0.6 GPa and 1.4e-4 /K at 20 °C, a third of that stiffness at 80 °C, 2.05e-4 /K at
    100 °C (values of its data sheets after DIN 16892, from memory). Between them the modulus is taken as
    exponential and the expansion as linear. Grades differ by 30 %, and under a load of months creep halves
    the modulus again, so a result with PEX is good to half its value at best.
    """
    warm = float(within(t, "wall temperature", "°C", 0.0, 95.0))
    if material.name != PEX.name:
        return material
    return replace(
        material,
        youngs_modulus=material.youngs_modulus * _SOFTER_AT_80 ** ((warm - 20.0) / 60.0),
        linear_expansion=material.linear_expansion + _MORE_AT_100 * (warm - 20.0) / 80.0,
    )
