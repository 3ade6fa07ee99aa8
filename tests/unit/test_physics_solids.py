"""Materials against printed coefficients, and the growth of a shell against worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.errors import OutOfRangeError
from monitor.physics.cushion import STEEL_LINEAR_EXPANSION
from monitor.physics.solids import COPPER, MATERIALS, PEX, STAINLESS_STEEL, STEEL, Material, at, shell_growth

PER_FAHRENHEIT = 1.8

# ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12 (second-hand): 1e-6 per degF, two digits.
ASHRAE = [(STEEL, 6.5), (COPPER, 9.5)]
# A trade journal's table of pipe materials: mm per metre and kelvin.
PIPES = [(STEEL, 0.012), (COPPER, 0.017)]


@pytest.mark.parametrize(("material", "cited"), ASHRAE)
def test_expansion_is_that_of_the_handbook(material: Material, cited: float) -> None:
    assert 1e6 * material.linear_expansion / PER_FAHRENHEIT == pytest.approx(cited, abs=0.05)


@pytest.mark.parametrize(("material", "cited"), PIPES)
def test_expansion_is_that_of_a_table_of_pipes(material: Material, cited: float) -> None:
    assert 1e3 * material.linear_expansion == pytest.approx(cited, abs=0.0005)


def test_pex_expands_as_the_table_says_when_warm() -> None:
    """0.18 mm/(m K) in the same table, which names no temperature: between the values at 20 and at 95 degC."""
    assert 1e3 * PEX.linear_expansion < 0.18 < 1e3 * at(PEX, 95.0).linear_expansion


# ASPE Plumbing Engineering Design Handbook, worked example (from memory; recomputed): from 40 to 140 degF
# 900 gal of steel grow by 1.7 gal and 100 gal of copper by 0.3, with 3 alpha of 18.9e-6 and 28.5e-6 per degF.
ASPE = [(900.0, STEEL, 1.7), (100.0, COPPER, 0.3)]


@pytest.mark.parametrize(("gallons", "material", "cited"), ASPE)
def test_shell_growth_of_a_worked_example(gallons: float, material: Material, cited: float) -> None:
    """Half of the printed digit, and 3 % for the book's 18.9e-6, which is 3 x 6.3e-6."""
    grown = shell_growth(gallons, material, 40.0 / 9.0, 60.0)
    assert grown == pytest.approx(cited, abs=0.05 + 0.03 * cited)


@pytest.mark.parametrize("material", MATERIALS.values())
def test_three_alpha_stands_for_the_cube(material: Material) -> None:
    """(1 + alpha dt)³ - 1 is at most 1.2 % more over 80 K (PEX), 0.1 % for steel."""
    exact = (1.0 + material.linear_expansion * 80.0) ** 3 - 1.0
    grown = shell_growth(1.0, material, 10.0, 90.0)
    assert 0.0 < exact - grown < (0.012 if material is PEX else 0.0015) * exact


def test_cooling_shrinks_and_arrays_broadcast() -> None:
    grown = shell_growth(np.array([[0.1], [0.2]]), STEEL, 10.0, [60.0, 90.0])
    assert grown.shape == (2, 2)
    assert grown[1, 0] == shell_growth(0.2, STEEL, 10.0, 60.0)
    assert shell_growth(0.2, STEEL, 60.0, 10.0) == -grown[1, 0]


def test_the_materials_have_the_names_that_people_write() -> None:
    assert MATERIALS == {"steel": STEEL, "stainless steel": STAINLESS_STEEL, "copper": COPPER, "PEX": PEX}
    assert STEEL.linear_expansion == STEEL_LINEAR_EXPANSION


def test_pex_softens_with_heat_and_metal_does_not() -> None:
    """A third of its stiffness is left at 80 degC (data sheets after DIN 16892, from memory)."""
    assert at(PEX, 20.0) == PEX
    assert at(PEX, 80.0).youngs_modulus == pytest.approx(0.2e9, rel=1e-12)
    assert at(STEEL, 80.0) is STEEL


@pytest.mark.parametrize("t", [-0.1, 95.1, math.nan])
def test_a_wall_outside_the_range_of_pex_is_refused_with_its_value(t: float) -> None:
    with pytest.raises(OutOfRangeError, match=rf"wall temperature {t:g} °C is outside 0\.\.95 °C"):
        at(PEX, t)


@pytest.mark.parametrize(
    ("volume", "t1", "t2", "said"),
    [
        (-0.1, 10.0, 60.0, r"volume -0\.1 m³ must be at least 0 m³"),
        ([0.1, math.nan], 10.0, 60.0, "volume nan m³"),
        (0.1, -60.0, 60.0, r"wall temperature -60 °C is outside -50\.\.200 °C"),
        (0.1, 10.0, [60.0, math.inf], "wall temperature inf °C"),
    ],
)
def test_what_is_no_shell_is_refused_with_its_value(volume: object, t1: float, t2: object, said: str) -> None:
    with pytest.raises(OutOfRangeError, match=said):
        shell_growth(volume, STEEL, t1, t2)  # type: ignore[arg-type]
