"""What commissioning answers: one check for each thing that must fit, and the accuracy to expect."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Word(StrEnum):
    """What is thought of one thing, worst first; ``NOT_SEEN`` is no praise: it could not be judged yet."""

    WRONG = "wrong"
    DOUBTFUL = "doubtful"
    NOT_SEEN = "not seen yet"
    FITS = "fits"


class Code(StrEnum):
    """What is checked; stable, they appear in machine output. In the order in which a person would look."""

    ENOUGH_DATA = "enough_data"
    SAMPLING = "sampling"
    PRESSURE_UNIT = "pressure_unit"
    PRESSURE_SIGNAL = "pressure_signal"
    HEATER_STATE = "heater_state"
    HEATER_ENERGY = "heater_energy"
    CLOCKS = "clocks"
    SENSOR_PLACE = "sensor_place"
    TEMPERATURE = "temperature"
    RELIEF = "relief"
    TANK = "tank"
    WINDOWS = "windows"


Number = float | str | None


@dataclass(frozen=True, slots=True)
class Check:
    """One thing: ``seen`` says what was seen with its numbers, ``do`` what to do, empty where it fits.

    ``evidence``: the numbers in kPa gauge, seconds, °C, watts.
    """

    code: Code
    word: Word
    seen: str
    do: str = ""
    evidence: Mapping[str, Number] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Interval:
    """An air charge with its 90 % interval. [kPa gauge]."""

    kpa: float
    low_kpa: float
    high_kpa: float


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What is known of the air charge ``now``, and would be ``gauged``: after a gauge reading and as many days.

    ``blind_now``: what would be known ``now`` without the temperature, None where there is none.
    """

    now: Interval
    gauged: Interval
    blind_now: Interval | None = None


@dataclass(frozen=True, slots=True)
class Commissioning:
    """All checks, in the order of `Code`; ``next`` is what to do now, first things first.

    ``start``, ``end``: epoch seconds of the rows that were read, None where there was none.
    """

    site: str
    start: float | None
    end: float | None
    samples: int
    checks: tuple[Check, ...]
    accuracy: Accuracy | None
    next: tuple[str, ...]

    @property
    def fits(self) -> bool:
        """Whether everything has been seen and fits."""
        return all(check.word is Word.FITS for check in self.checks)
