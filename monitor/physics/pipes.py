"""How much pipes, vessels and the water in them give when the pressure rises.

Walls by Lamé's solution for a thick cylinder, which goes over into the thin wall; the water's own
compression is a term beside it. Heads, fittings and hoses are not in it: at a branch the wall is stiffer,
a hose is many times softer, and trapped air is softer than all of them.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, above, within
from monitor.physics.solids import Material


class Ends(StrEnum):
    """What the ends of a cylinder do when the pressure rises; a real run lies between FREE and HELD."""

    FREE = "closed, free to lengthen"
    """A vessel, or a dead leg on loose hangers: the pressure on the ends stretches the wall."""
    HELD = "held lengthwise"
    """A pipe between fixed points or in a screed: no change of length."""
    JOINTS = "expansion joints"
    """Joints take the end load and all change of length: no stress along the wall."""


def wall_compliance(bore: ArrayLike, wall: ArrayLike, material: Material, ends: Ends) -> FloatArray:
    """Return the growth of the inside volume for each volume and pressure, (1/V) dV/dp. [1/Pa].

    With q = D² / (4 e (D + e)): 2 (1 + nu)/E of the wall's own squeezing, and 4 q/E (1 - nu/2) of its
    girth with a further q/E (1 - 2 nu) of its length (FREE), 4 q/E (1 - nu²) (HELD), 4 q/E (JOINTS).
    With the wall thin against the bore this is `thin_wall_compliance`.

    Parameters
    ----------
    bore : array_like
        Inside diameter D. [m], > 0
    wall : array_like
        Thickness e of the wall. [m], > 0
    material : Material
        Of the wall; for warm PEX the one that `monitor.physics.solids.at` returns.
    ends : Ends
        What holds it lengthwise.

    Raises
    ------
    OutOfRangeError
        If a dimension is not above 0, with that value.

    Examples
    --------
    >>> from monitor.physics.solids import STEEL
    >>> float(wall_compliance(0.44, 0.004, STEEL, Ends.FREE)) * 1e9
    0.53

    References
    ----------
    .. [1] S. P. Timoshenko, Strength of Materials, part II, art. 44 (Lamé's solution; from memory).
    .. [2] E. B. Wylie, V. L. Streeter, Fluid Transients in Systems, 1993, ch. 2: factors c1 of thick walls
       (from memory); the girth terms above are their D c1 / (e E), cases a to c.
    """
    pull, girth = _pull_and_girth(bore, wall, material, ends)
    if ends is not Ends.FREE:
        return girth
    return np.asarray(
        girth + pull * (1.0 - 2.0 * material.poisson) / material.youngs_modulus, dtype=np.float64
    )


def bore_compliance(bore: ArrayLike, wall: ArrayLike, material: Material, ends: Ends) -> FloatArray:
    """Return the growth of the bore's area alone, (1/A) dA/dp. [1/Pa]: what a pressure wave meets.

    Arguments and errors as `wall_compliance`, from which it differs for FREE ends only.
    """
    return _pull_and_girth(bore, wall, material, ends)[1]


def thin_wall_compliance(bore: ArrayLike, wall: ArrayLike, material: Material, ends: Ends) -> FloatArray:
    """Return `wall_compliance` for a wall that is thin against the bore. [1/Pa].

    D / (e E) times 5/4 - nu (FREE), 1 - nu² (HELD) or 1 (JOINTS). It leaves out that the wall is squeezed:
    for steel it gives 2 % less than the thick wall at D/e = 100, 8 % less at 20 and 19 % less at 8.
    """
    inside, thick = _dimensions(bore, wall)
    nu = material.poisson
    factor = {Ends.FREE: 1.25 - nu, Ends.HELD: 1.0 - nu * nu, Ends.JOINTS: 1.0}[ends]
    return np.asarray(inside / (thick * material.youngs_modulus) * factor, dtype=np.float64)


def inside_volume(bore: ArrayLike, length: ArrayLike) -> FloatArray:
    """Return what a cylinder holds. [m³]; bore and length in m."""
    inside = above(bore, "bore", "m")
    return np.asarray(math.pi / 4.0 * inside * inside * within(length, "length", "m", 0.0), dtype=np.float64)


def run_compliance(
    bore: ArrayLike, wall: ArrayLike, length: ArrayLike, material: Material, ends: Ends = Ends.HELD
) -> FloatArray:
    """Return dV/dp of the wall of a run of pipe or of a vessel's shell. [m³/Pa]; bore, wall, length in m.

    The water in it comes on top: `water_compliance` of `inside_volume`.

    Examples
    --------
    >>> from monitor.physics.solids import COPPER, PEX
    >>> [round(1e12 * float(run_compliance(0.02, e, 50.0, m)), 1) for e, m in ((0.001, COPPER), (0.003, PEX))]
    [2.6, 196.1]
    """
    return inside_volume(bore, length) * wall_compliance(bore, wall, material, ends)


def water_compliance(volume: ArrayLike, compressibility: ArrayLike) -> FloatArray:
    """Return how much the water itself gives, V kappa. [m³/Pa]; volume in m³, compressibility in 1/Pa."""
    held = within(volume, "water volume", "m³", 0.0)
    return np.asarray(held * above(compressibility, "compressibility", "1/Pa"), dtype=np.float64)


def wave_speed(compliance: ArrayLike, density: ArrayLike, compressibility: ArrayLike) -> FloatArray:
    """Return how fast a pressure wave runs in a pipe, 1/sqrt(rho (kappa + (1/A) dA/dp)). [m/s].

    It is here because books print wave speeds, and not compliances: a check of the latter from outside.

    Parameters
    ----------
    compliance : array_like
        (1/A) dA/dp of the wall, as `bore_compliance` returns it. [1/Pa], 0 for a rigid pipe
    density, compressibility : array_like
        Of the water. [kg/m³], [1/Pa]
    """
    wall = within(compliance, "wall compliance", "1/Pa", 0.0)
    heavy = above(density, "density", "kg/m³")
    water = above(compressibility, "compressibility", "1/Pa")
    return np.asarray(1.0 / np.sqrt(heavy * (water + wall)), dtype=np.float64)


def _dimensions(bore: ArrayLike, wall: ArrayLike) -> tuple[FloatArray, FloatArray]:
    return above(bore, "bore", "m"), above(wall, "wall thickness", "m")


def _pull_and_girth(
    bore: ArrayLike, wall: ArrayLike, material: Material, ends: Ends
) -> tuple[FloatArray, FloatArray]:
    """Return q, the pull of closed ends along the wall over the pressure [-], and (1/A) dA/dp [1/Pa]."""
    inside, thick = _dimensions(bore, wall)
    nu = material.poisson
    pull = inside * inside / (4.0 * thick * (inside + thick))
    factor = {Ends.FREE: 1.0 - nu / 2.0, Ends.HELD: 1.0 - nu * nu, Ends.JOINTS: 1.0}[ends]
    return pull, (2.0 * (1.0 + nu) + 4.0 * pull * factor) / material.youngs_modulus
