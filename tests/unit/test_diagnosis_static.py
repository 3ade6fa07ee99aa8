"""The limit of the line at rest, by site."""

import math

import pytest

from monitor.diagnosis.static import static_limit
from monitor.site import Heater, HeaterKind, Site


@pytest.mark.parametrize("unit", ["bar", "kPa", "MPa"])
def test_five_bar_where_psi_is_not_shown(unit: str) -> None:
    """EN 806-2, 16.1."""
    assert static_limit(Site("a", unit=unit)) == 500e3


def test_eighty_psi_where_psi_is_shown() -> None:
    """IPC 604.8, UPC 608.2; 6894.757 Pa a psi (NIST SP 811)."""
    assert static_limit(Site("a", unit="psi")) == pytest.approx(80 * 6894.757, abs=1.0)


def test_the_site_file_decides_where_it_says_so() -> None:
    assert static_limit(Site("a", unit="psi", supply_limit=420e3)) == 420e3


def test_a_loop_has_none() -> None:
    assert static_limit(Site("a", unit="psi", heater=Heater(HeaterKind.LOOP))) == math.inf
