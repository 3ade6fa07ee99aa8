"""What the analysis says of a site at one instant: the answer that every shell shows."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.diagnosis.faults import Finding


class Verdict(StrEnum):
    """The state of a site in one word.

    ``HOLDING`` needs positive evidence that is fresh and leaves little doubt; without evidence a site is
    ``BLIND`` (or ``LEARNING`` at the start), with evidence that does not suffice or that shows something
    amiss for which no fault is named it is ``DOUBTFUL``. A standing finding makes it ``FAULT``.
    """

    HOLDING = "holding"
    DOUBTFUL = "doubtful"
    LEARNING = "learning"
    BLIND = "blind"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class ChargeEstimate:
    """The air charge as a gauge on the relieved tank would read it, with 90 % coverage. kPa gauge.

    ``windows``: how often the cushion had been weighed by then, since the first reading.
    """

    time: float
    kpa: float
    low_kpa: float
    high_kpa: float
    windows: int = 0


@dataclass(frozen=True, slots=True)
class BlindSpan:
    """A span in which a lost cushion would not have been seen; ``end`` is the last known instant if open."""

    start: float
    end: float
    why: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the air charge will fall below its limit, with a 90 % interval; ``high`` None: may never happen."""

    limit_date: float
    low: float
    high: float | None
    limit_kpa: float


@dataclass(frozen=True, slots=True)
class Report:
    """Everything that is known of a site. Times in epoch seconds UTC, pressures kPa gauge."""

    site: str
    start: float | None
    end: float | None
    samples: int
    verdict: Verdict
    verdict_why: str
    air_charge: tuple[ChargeEstimate, ...]
    worst_case_peak_kpa: float | None
    supply_kpa: float | None
    findings: tuple[Finding, ...]
    blind: tuple[BlindSpan, ...]
    forecast: Forecast | None
    last_window: float | None
    windows: int
