"""Quantities as a site file and a log show them; the simulator's own small table."""

from __future__ import annotations

PRESSURE = {"kPa": 1e3, "psi": 6894.757293168361, "bar": 1e5, "mbar": 1e2, "MPa": 1e6}
"""Pascals in one of each; psi from 4.4482216152605 N / (0.0254 m)² (NIST SP 811, B.8)."""
PSI, BAR = PRESSURE["psi"], PRESSURE["bar"]


def show(pressure: float, unit: str) -> str:
    """Return a gauge pressure [Pa] as a person writes it in ``unit``.

    >>> show(413685.4, "psi")
    '60 psi'
    """
    return f"{pressure / PRESSURE[unit]:.4g} {unit}"
