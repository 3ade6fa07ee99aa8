"""Ways for water into and out of a line that is not closed: seats, check valves and holes that pass.

Each is a conductance [mL/(s kPa)]: the laminar seeping of a worn seat, and near enough for a hole. What
flows within a step follows the line's own give, so that any conductance may be taken, up to "at once".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.plants.line import Line


@dataclass(frozen=True, slots=True)
class Leaks:
    """From ``began`` to ``ended`` [s since the start]; pressures kPa gauge, conductances mL/(s kPa).

    ``back``: through the check valve, driven by what the line stands above the supply.
    ``out``: out of a hole or a weeping valve, driven by the gauge pressure.
    ``creep``: past the seat of a reducing valve from a ``street`` of higher pressure; a draw takes the line
    down to what the valve is set to.
    In ``shut`` spans the valve upstream is closed: nothing comes in, nothing goes back.
    """

    began: float = 0.0
    ended: float = math.inf
    back: float = 0.0
    out: float = 0.0
    creep: float = 0.0
    street: float = 0.0
    shut: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One plant step, absolute kPa: the supply's pressure ``lowest``, and the air ``outside``."""

    lowest: float
    outside: float
    seconds: float
    shut: bool


def worn(leaks: Leaks, clock: NDArray[np.floating]) -> list[bool]:
    """Return at which steps the leaks are there."""
    some = leaks.back > 0.0 or leaks.out > 0.0 or leaks.creep > 0.0
    return [bool(now) for now in (clock > leaks.began) & (clock <= leaks.ended) & some]


def shut(leaks: Leaks, clock: NDArray[np.floating]) -> list[bool]:
    """Return at which steps the valve upstream is closed."""
    now = np.zeros(len(clock), bool)
    for first, last in leaks.shut:
        now |= (clock > first) & (clock <= last)
    return [bool(is_shut) for is_shut in now]


def give(line: Line) -> float:
    """Return how much more water the line takes for a kilopascal more [mL/kPa]."""
    moves = 0.0 < line.gas < line.vessel
    return line.elastic + (line.gas / line.pressure if moves else 0.0)


def seep(line: Line, leaks: Leaks, step: Step) -> None:
    """Let the leaks run for one step, the line's pressure falling or rising meanwhile.

    With a give C and conductances g to pressures q, the pressure goes to sum(g q)/sum(g) with exp(-G t/C).
    """
    ways = [(leaks.out, step.outside)]
    if not step.shut:
        street = leaks.street + step.outside
        ways.append((leaks.back if line.pressure > step.lowest else 0.0, step.lowest))
        ways.append((leaks.creep if line.pressure < street else 0.0, street))
    total = sum(g for g, _ in ways)
    if total <= 0.0:
        return
    target = sum(g * q for g, q in ways) / total
    above = line.pressure - target
    taken = give(line)
    line.push(-taken * above * -math.expm1(-total * step.seconds / taken), 0.0)
    # The give changes where the bladder meets its stop; nothing runs past what drives it.
    if (line.pressure - target) * above < 0.0:
        line.hold(target, 0.0)
