"""How forecast dates came true; the trials hold what was said each evening and the true date."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tests.bench.trial import Day, Trial


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Of slow losses still above the limit: days with a date, how often the interval was right, the error."""

    days: int
    hits: int
    median_error: float
    early: int
    false_days: int
    other_days: int


def forecasts(trials: Iterable[Trial], horizon: float = 60.0) -> Forecasts:
    """Return how dates came true; only those within ``horizon`` days count towards the error."""
    total = hits = early = false = other = 0
    off: list[float] = []
    for trial in trials:
        for day in trial.daily:
            if trial.scenario in {"healthy", "low", "silent"}:
                other += 1
                false += (
                    day.limit_high is not None
                    and day.limit_high > day.day
                    and day.truth > (day.limit_kpa or 0)
                )
            if day.limit_date is None or day.truly is None or day.truly <= day.day or day.limit_low is None:
                continue
            total += 1
            hits += day.limit_low <= day.truly <= (np.inf if day.limit_high is None else day.limit_high)
            early += day.truly < day.limit_low
            if day.truly - day.day <= horizon:
                off.append(abs(day.limit_date - day.truly))
    return Forecasts(total, hits, float(np.median(off)) if off else float("nan"), early, false, other)


def _dated(day: Day) -> bool:
    """Tell if a date lies ahead with an end to its interval, though the charge is above the limit."""
    if day.limit_high is None or day.limit_kpa is None:
        return False
    return day.limit_high > day.day and day.truth > day.limit_kpa
