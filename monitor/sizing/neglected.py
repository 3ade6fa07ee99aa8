"""What is neglected, and how large that is: every effect on one system, worked out by the physics.

Terms of the GUM (JCGM 100:2008): an effect that lies anywhere between -a and +a, or between 0 and a, and is
not corrected, has the standard uncertainty a / sqrt 3 about the value in use (4.3.7). Independent ones add
as the root of the sum of their squares (5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from monitor.sizing.effect import OPEN, Effect
from monitor.sizing.effects import effects
from monitor.sizing.typical import System
from monitor.sizing.world import World, base, growth, inferred, peak, scale_of, shown

LATER: Final = 0.75
"""Air charge at which the gauge is judged after a visit, over that found at the visit: a loss it must see."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far an effect moves a result at the ``high`` end of its range, and at the ``low`` one if it has two."""

    high: float
    low: float | None = None

    @property
    def size(self) -> float:
        """The larger of both ends, without sign."""
        return max(abs(self.high), abs(self.low or 0.0))

    @property
    def standard(self) -> float:
        """Standard uncertainty of a rectangular distribution that reaches this far."""
        return self.size / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Row:
    """One effect: shift of growth [-], worst-case peak [Pa], air charge by one window [Pa]; the last after a visit."""

    effect: Effect
    growth: Shift
    peak: Shift
    charge: Shift
    after_visit: Shift

    @property
    def size(self) -> float:
        """What rows are sorted by: the largest shift of a pressure. [Pa]."""
        return max(self.peak.size, self.charge.size, self.after_visit.size)


@dataclass(frozen=True, slots=True)
class Total:
    """Standard uncertainties of what is left out or held fixed, all effects independent; units as `Row`.

    ``scale`` is that of ln A by the effects that are the same in every window of a site. [-]
    """

    growth: float
    peak: float
    charge: float
    after_visit: float
    scale: float


@dataclass(frozen=True, slots=True)
class Table:
    """All effects on a system, largest first, and what is undisturbed: growth [m³], peak, rise [gauge Pa, Pa]."""

    system: System
    growth: float
    peak: float
    rise: float
    rows: tuple[Row, ...]
    total: Total


def table(system: System) -> Table:
    """Return what every effect does to ``system``."""
    usual = base(system)
    rows = tuple(sorted((_row(one, usual) for one in effects(system)), key=lambda row: -row.size))
    first, last = shown(usual, usual.charge)
    return Table(system, growth(usual), peak(usual), last - first, rows, _total(rows, usual))


def _row(effect: Effect, usual: World) -> Row:
    believed = effect.believed or usual
    ends = [effect.high] if effect.low is None else [effect.high, effect.low]
    relative = [(growth(real) - growth(believed)) / growth(usual) for real in ends]
    peaks = [peak(real) - peak(believed) for real in ends]
    charges = [_charge(believed, real, real.charge) - real.charge for real in ends]
    later = [_after_visit(effect, believed, real) for real in ends]
    return Row(effect, Shift(*relative), Shift(*peaks), Shift(*charges), Shift(*later))


def _charge(believed: World, real: World, charge: float, scale: float = 1.0) -> float:
    """Return the air charge that is inferred from a window, when it really is ``charge``. [gauge Pa]."""
    return inferred(believed, *shown(real, charge), scale) / believed.tank - believed.outside


def _after_visit(effect: Effect, believed: World, real: World) -> float:
    """Return the error of the air charge, later, at a site whose scale a hand gauge has set. [Pa].

    At the visit the charge is as it should be and windows show it; a steady effect is there already and goes
    into the scale, any other comes afterwards.
    """
    at_visit = real if effect.steady else believed
    gauged = believed.charge + real.hand + believed.outside
    scale = scale_of(believed, gauged * believed.tank, *shown(at_visit, at_visit.charge))
    later = LATER * real.charge
    return _charge(believed, real, later, scale) - later


def _total(rows: tuple[Row, ...], usual: World) -> Total:
    sizing = [row for row in rows if row.effect.sizing in OPEN]
    gauge = [row for row in rows if row.effect.gauge in OPEN]
    absolute = usual.charge + usual.outside
    return Total(
        growth=_together(row.growth for row in sizing),
        peak=_together(row.peak for row in sizing),
        charge=_together(row.charge for row in gauge),
        after_visit=_together(row.after_visit for row in gauge),
        scale=_together(row.charge for row in gauge if row.effect.steady) / absolute,
    )


def _together(shifts: Iterable[Shift]) -> float:
    return math.sqrt(sum(shift.standard**2 for shift in shifts))
