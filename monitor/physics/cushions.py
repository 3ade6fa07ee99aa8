"""The functions of `monitor.physics.cushion` over numpy arrays: a trend, a table, a plot at once.

Same names, formulas, units and errors. They stand apart because the estimator asks for single numbers,
and an array of one costs fifty times a float; a test holds both to the same values.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, above, within


def taken_up(
    air: ArrayLike, elastic: ArrayLike, p1: ArrayLike, p2: ArrayLike, charge: ArrayLike = 0.0
) -> FloatArray:
    """Return the volume that cushion and line take as pressure goes from ``p1`` to ``p2``. [m³].

    A (1/p1 - 1/p2) + Ce (p2 - p1); below ``charge`` the bladder lies on its stop and only the line gives.

    Parameters
    ----------
    air : array_like
        A = p V of the cushion. [J], >= 0
    elastic : array_like
        Ce, compliance of shell, pipes, water and trapped air. [m³/Pa], >= 0
    p1, p2 : array_like
        Absolute pressures. [Pa], > 0
    charge : array_like
        Absolute pressure below which the bladder rests on its stop. [Pa], >= 0

    Raises
    ------
    OutOfRangeError
        If a value is outside its range, with the first such value.

    Examples
    --------
    >>> [round(1e6 * v) for v in taken_up(4000.0, 0.0, 400e3, [450e3, 500e3])]  # mL
    [1111, 2000]
    """
    gas, line = _cushion(air, elastic)
    start, end, stop = _pressure(p1), _pressure(p2), within(charge, "air charge", "Pa", 0.0)
    low, high = np.maximum(start, stop), np.maximum(end, stop)
    return np.asarray(gas * (1.0 / low - 1.0 / high) + line * (end - start), dtype=np.float64)


def pressure_after(
    air: ArrayLike, elastic: ArrayLike, p1: ArrayLike, volume: ArrayLike, charge: ArrayLike = 0.0
) -> FloatArray:
    """Return the pressure [Pa] after ``volume`` [m³] >= 0 was pushed into cushion and line at ``p1``.

    The inverse of `taken_up`; parameters and errors as there. Infinite where nothing gives.
    """
    gas, line = _cushion(air, elastic)
    start, stop = _pressure(p1), within(charge, "air charge", "Pa", 0.0)
    pushed = within(volume, "volume pushed in", "m³", 0.0)
    gas, line, start, pushed, stop = np.broadcast_arrays(gas, line, start, pushed, stop)
    on_stop = np.maximum(stop - start, 0.0)
    rest = pushed - line * on_stop
    off = start + on_stop
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        stiff = np.where(line > 0.0, start + pushed / line, start)
        share = np.where(gas > 0.0, rest * off / gas, np.inf)
        rigid = np.where(share < 1.0, off / (1.0 - share), np.inf)
        # Ce x² + (A/p - Ce p - V) x - A = 0 for x = p2, the root that keeps its digits.
        b = gas / off - line * off - rest
        root = np.sqrt(b * b + 4.0 * line * gas)
        soft = np.where(b <= 0.0, (root - b) / (2.0 * line), 2.0 * gas / (root + b))
    return np.where(rest <= 0.0, stiff, np.where(line > 0.0, soft, rigid))


def compliance(air: ArrayLike, elastic: ArrayLike, p: ArrayLike) -> FloatArray:
    """Return dV/dp of cushion and line at absolute pressure ``p``. [m³/Pa]; as `taken_up`."""
    gas, line = _cushion(air, elastic)
    pressure = _pressure(p)
    return np.asarray(gas / (pressure * pressure) + line, dtype=np.float64)


def _cushion(air: ArrayLike, elastic: ArrayLike) -> tuple[FloatArray, FloatArray]:
    return within(air, "air", "J", 0.0), within(elastic, "elastic", "m³/Pa", 0.0)


def _pressure(p: ArrayLike) -> FloatArray:
    return above(p, "absolute pressure", "Pa")
