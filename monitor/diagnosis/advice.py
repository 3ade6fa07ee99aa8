"""What to do about a tank after what is known of it: one situation, one row of the table, one advice.

The table is `monitor.diagnosis.advice_table.TABLE`: each situation matches exactly one of its rows, in any order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import product
from typing import Final

from monitor.diagnosis.faults import Fault


class Advice(StrEnum):
    """What to do; stable, it appears in machine output."""

    CALL = "call_licensed_help_now"
    REPLACE = "replace_tank"
    LARGER = "fit_larger_tank"
    REFILL = "refill"
    RELEASE = "let_air_out"
    GAUGE = "gauge"
    LEAK = "find_leak"
    REGULATOR = "regulator"
    CHECK_VALVE = "check_valve"
    SENSOR = "sensor"
    WAIT = "wait"
    NOTHING = "nothing"


class Look(StrEnum):
    """What somebody saw who looked: water at the air valve, or a leak."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "not looked"


class Charge(StrEnum):
    """The air charge as the last visit left it, beside the one that the line needs."""

    BELOW = "below"
    RIGHT = "right"
    ABOVE = "above"
    UNKNOWN = "not gauged"


class Watch(StrEnum):
    """The watch of the last visit that gauged or changed the charge; ``NONE``: there is none."""

    NONE = "none"
    RUNNING = "running"
    HELD = "held"
    FALLEN = "fallen"
    UNPROVABLE = "not provable"


class Age(StrEnum):
    """How long ago somebody was last there: never, within the watch, within a year, longer."""

    NEVER = "never"
    WEEK = "in the watch"
    YEAR = "in a year"
    LONGER = "longer ago"


class NoFault(StrEnum):
    """Stands in the place of a fault where none is named."""

    NONE = "none"


NONE: Final = NoFault.NONE
FAULTS: Final[Sequence[Fault | NoFault]] = (NONE, *Fault)


@dataclass(frozen=True, slots=True)
class Situation:
    """What decides: the fault that comes first, and what the last visits told."""

    fault: Fault | NoFault
    water: Look
    charge: Charge
    watch: Watch
    leak: Look
    age: Age


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table: what each column may be, the advice, and what to do in a sentence or two.

    ``why`` says why this follows.
    """

    advice: Advice
    do: str
    why: str
    fault: frozenset[Fault | NoFault]
    water: frozenset[Look] = frozenset(Look)
    charge: frozenset[Charge] = frozenset(Charge)
    watch: frozenset[Watch] = frozenset(Watch)
    leak: frozenset[Look] = frozenset(Look)
    age: frozenset[Age] = frozenset(Age)

    def fits(self, one: Situation) -> bool:
        """Tell whether a situation falls under this row."""
        return (
            one.fault in self.fault
            and one.water in self.water
            and one.charge in self.charge
            and one.watch in self.watch
            and one.leak in self.leak
            and one.age in self.age
        )


def every_situation() -> list[Situation]:
    """Return all situations, those among them that no site is ever in."""
    return [Situation(*one) for one in product(FAULTS, Look, Charge, Watch, Look, Age)]
