"""What a method comes to, and the absolute pressures that all of them write down."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.sizing.pressures import Pressures
from monitor.sizing.worksheet import Kind, Worksheet


@dataclass(frozen=True, slots=True)
class Smallest:
    """Volumes [m³] that a method comes to, and the pressures that it used."""

    expansion: float
    reserve: float
    exact: float
    between: Pressures


def charge_absolute(between: Pressures, sheet: Worksheet) -> float:
    """Note and return the absolute air charge. [Pa]."""
    value = between.charge + between.outside
    return sheet.work("P0", "air charge, absolute", "p0 + Pa", value, Kind.ABSOLUTE, "definition", "p0 Pa")


def highest_absolute(between: Pressures, sheet: Worksheet) -> float:
    """Note and return the absolute highest pressure. [Pa]."""
    value = between.highest + between.outside
    return sheet.work("P2", "highest, absolute", "p2 + Pa", value, Kind.ABSOLUTE, "definition", "p2 Pa")
