"""What an effect is: a real and a believed world, and what methods and gauge do about the difference."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.sizing.world import World

PRACTICE: Final = "common practice, no source"


class Taken(StrEnum):
    """What a method or the gauge does about an effect."""

    COUNTED = "counted"
    BY_METHOD = "counted by ASHRAE; left out by EN 12828, to the larger tank"
    LEFT_OUT = "left out"
    FIXED = "held fixed"
    NONE = "no effect"
    BOUND = "a bound, not the usual case"
    FAULT = "a fault, not an error"


OPEN: Final = frozenset({Taken.LEFT_OUT, Taken.FIXED})
"""What adds to the uncertainty."""


@dataclass(frozen=True, slots=True)
class Effect:
    """One effect: what is real at the ends of its range, and what is believed.

    ``low`` is None where the effect has one sign. ``steady``: the same in every window of a site, so that a
    gauge reading at a visit takes it into the site's scale. ``believed`` is the base unless an effect shows
    what it would cost to leave a term out.
    """

    name: str
    source: str
    sizing: Taken
    gauge: Taken
    steady: bool
    high: World
    low: World | None = None
    believed: World | None = None
