"""Walls against printed wave speeds, a verification case of elasticity, and the closed forms of the books."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.errors import OutOfRangeError
from monitor.physics import fluids
from monitor.physics.cushion import SHELL_COMPLIANCE
from monitor.physics.pipes import (
    Ends,
    bore_compliance,
    inside_volume,
    run_compliance,
    thin_wall_compliance,
    wall_compliance,
    water_compliance,
    wave_speed,
)
from monitor.physics.solids import COPPER, MATERIALS, PEX, STEEL, Material, at
from monitor.units import PSI

# Surge for a change of 1 ft/s, psi, by dimension ratio (outside diameter over wall): AWWA M23, PVC of 400 000 psi,
# and the same formula for PE of 115 000 psi, as reprinted in a table of both. Its first row, 10.8 for PVC of
# DR 51, is left out: the formula that gives all others gives 10.2 there.
PVC = {41: 11.4, 32.5: 12.8, 25: 14.7, 21: 16.0, 18: 17.4}
PE = {21: 8.8, 17: 9.9, 13.5: 11.3, 11: 12.7, 9: 14.3, 7.3: 16.3}
SURGES = [(4e5, dr, p) for dr, p in PVC.items()] + [(1.15e5, dr, p) for dr, p in PE.items()]
BULK = 300_000.0 * PSI
RIGID = 4660.0 * 0.3048  # m/s: the book's speed in a rigid pipe


@pytest.mark.parametrize(("modulus", "ratio", "cited"), SURGES)
def test_wave_speed_gives_the_printed_surge(modulus: float, ratio: float, cited: float) -> None:
    """Half of the printed digit. The book takes a thin wall with joints, and a/(2.31 g) psi for 1 ft/s."""
    plastic = Material("plastic", 0.0, modulus * PSI, 0.4)
    wall = thin_wall_compliance(ratio - 2.0, 1.0, plastic, Ends.JOINTS)
    speed = wave_speed(wall, BULK / RIGID**2, 1.0 / BULK)
    assert speed / 0.3048 / (2.31 * 32.2) == pytest.approx(cited, abs=0.05)


def test_wave_speed_of_a_rigid_pipe_is_that_of_sound() -> None:
    """1482 m/s in water of 20 degC (any handbook; IAPWS R6-95 gives 1482.3), less what cp/cv = 1.007 takes."""
    water = fluids.water()
    speed = wave_speed(0.0, water.density(20.0, 101_325.0), water.compressibility(20.0, 101_325.0))
    assert speed == pytest.approx(1482.3 / math.sqrt(1.007), rel=5e-4)


@pytest.mark.parametrize(("material", "bore", "wall", "low", "high"), [
    (STEEL, 0.0273, 0.0032, 1350.0, 1450.0),
    (COPPER, 0.020, 0.001, 1200.0, 1350.0),
    (PEX, 0.016, 0.002, 200.0, 400.0),
])  # fmt: skip
def test_wave_speeds_in_house_pipes_are_of_the_known_size(
    material: Material, bore: float, wall: float, low: float, high: float
) -> None:
    """Steel a little and copper some 10 % below sound in water, PE-X 200 to 400 m/s: common practice, no source."""
    speed = wave_speed(bore_compliance(bore, wall, material, Ends.HELD), 998.2, 4.59e-10)
    assert low < speed < high


def test_bore_of_a_thick_cylinder_grows_as_a_verification_case_says() -> None:
    """A published finite-element verification of Lamé: a = 10 mm, b = 20 mm, E = 210 GPa, nu = 0.3, plane strain,
    100 MPa inside: the bore moves by 9.08 µm. Half of the last digit.
    """
    metal = Material("metal", 0.0, 210e9, 0.3)
    moved = 0.5 * bore_compliance(0.020, 0.010, metal, Ends.HELD) * 100e6 * 0.010
    assert 1e6 * moved == pytest.approx(9.08, abs=0.005)


def c1(ends: Ends, d: float, e: float, nu: float) -> float:
    """Wylie & Streeter, Fluid Transients in Systems, 1993, ch. 2, thick walls, cases a, b, c (from memory)."""
    tail = {Ends.FREE: 1.0 - nu / 2.0, Ends.HELD: 1.0 - nu**2, Ends.JOINTS: 1.0}[ends]
    return 2.0 * e / d * (1.0 + nu) + d / (d + e) * tail


@pytest.mark.parametrize("ends", Ends)
@pytest.mark.parametrize("material", MATERIALS.values())
@pytest.mark.parametrize("ratio", [3.0, 8.0, 40.0, 200.0])
def test_girth_is_that_of_the_factors_for_thick_walls(ends: Ends, material: Material, ratio: float) -> None:
    by_book = c1(ends, ratio, 1.0, material.poisson) * ratio / material.youngs_modulus
    assert bore_compliance(ratio, 1.0, material, ends) == pytest.approx(by_book, rel=1e-12)


@pytest.mark.parametrize("material", [STEEL, PEX])
def test_a_free_vessel_also_lengthens(material: Material) -> None:
    """Hooke's law from the stresses at the bore, worked here by the three of them: Timoshenko, Lamé's solution."""
    k2 = (1.0 + 2.0 / 8.0) ** 2
    hoop, radial, axial = (k2 + 1.0) / (k2 - 1.0), -1.0, 1.0 / (k2 - 1.0)
    nu = material.poisson
    girth = hoop - nu * (radial + axial)
    length = axial - nu * (hoop + radial)
    by_hand = (2.0 * girth + length) / material.youngs_modulus
    assert wall_compliance(8.0, 1.0, material, Ends.FREE) == pytest.approx(by_hand, rel=1e-12)


def test_the_shell_that_the_estimator_assumes_follows_from_its_dimensions() -> None:
    """D/t = 110: 0.52e-9 as a thin wall, 0.53e-9 as a thick one; the constant is that with one digit."""
    thin = thin_wall_compliance(110.0, 1.0, STEEL, Ends.FREE)
    thick = wall_compliance(110.0, 1.0, STEEL, Ends.FREE)
    assert 1e9 * thin == pytest.approx(0.5225, rel=1e-12)
    assert 1e9 * thick == pytest.approx(0.531, abs=0.0005)
    assert round(1e10 * float(thin)) == round(1e10 * SHELL_COMPLIANCE) == 5


def test_a_run_gives_by_its_volume_and_the_water_comes_on_top() -> None:
    """By hand: 50 m of 20 x 1 copper hold 15.7 L; its wall gives as much again as a third of that water."""
    held = inside_volume(0.020, 50.0)
    assert 1e3 * held == pytest.approx(15.708, abs=0.0005)
    wall = run_compliance(0.020, 0.001, 50.0, COPPER)
    assert wall == pytest.approx(held * wall_compliance(0.020, 0.001, COPPER, Ends.HELD), rel=1e-12)
    assert wall / water_compliance(held, 4.6e-10) == pytest.approx(0.36, abs=0.01)


def test_pex_gives_more_when_warm() -> None:
    cold, warm = (run_compliance(0.016, 0.002, 100.0, at(PEX, t)) for t in (20.0, 80.0))
    assert warm == pytest.approx(3.0 * cold, rel=1e-12)


def test_arrays_broadcast() -> None:
    many = run_compliance([0.013, 0.020], 0.001, [[10.0], [50.0]], COPPER)
    assert many.shape == (2, 2)
    assert many[1, 1] == run_compliance(0.020, 0.001, 50.0, COPPER)


@pytest.mark.parametrize(
    ("bore", "wall", "length", "said"),
    [
        (0.0, 0.001, 1.0, "bore 0 m must be above 0 m"),
        (0.02, [0.001, -0.001], 1.0, r"wall thickness -0\.001 m must be above 0 m"),
        (0.02, 0.001, -1.0, "length -1 m must be at least 0 m"),
        (math.nan, 0.001, 1.0, "bore nan m"),
        (0.02, math.inf, 1.0, "wall thickness inf m"),
    ],
)
def test_what_is_no_pipe_is_refused_with_its_value(
    bore: float, wall: object, length: float, said: str
) -> None:
    with pytest.raises(OutOfRangeError, match=said):
        run_compliance(bore, wall, length, COPPER)  # type: ignore[arg-type]


def test_what_is_no_water_is_refused_with_its_value() -> None:
    with pytest.raises(OutOfRangeError, match="compressibility 0 1/Pa must be above 0"):
        water_compliance(0.1, 0.0)
    with pytest.raises(OutOfRangeError, match="water volume -1 m³"):
        water_compliance(np.array([0.1, -1.0]), 4.6e-10)
    with pytest.raises(OutOfRangeError, match="density -1 kg/m³"):
        wave_speed(0.0, -1.0, 4.6e-10)
