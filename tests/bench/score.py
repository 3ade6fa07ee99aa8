"""What trials add up to: errors, coverage, confusion, delays. Pure functions of the trials.

Truth is judged with a grey zone of its own, so that no detector's exact limit is favoured: a charge at or
above 0.88 of the supply (gauge) is fine, at or below 0.70 low; air at or below 0.30 of a vessel charged to
the supply (absolute; a gauge would read about nothing) is lost, above 0.42 not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.bench.trial import Day, Said, Trial

FINE: Final = 0.88
LOW: Final = 0.70
LOST: Final = 0.30
NOT_LOST: Final = 0.42

CHARGE_FAULTS: Final = ("air_charge_low", "air_cushion_lost")
UNSEEN: Final = frozenset(
    {"pressure_sensor_fault", "heater_state_fault", "check_valve_passing", "water_loss"}
)
"""Faults with which no estimate of the charge can be asked for."""

FAULTS: Final = (*CHARGE_FAULTS, "relief_discharging", "blind")


@dataclass(frozen=True, slots=True)
class Errors:
    """Of the charge at the ends of days: mean absolute error and bias [kPa], coverage, half width."""

    days: int
    mean_absolute: float
    bias: float
    covered: float
    half_width: float


def clipped(value: float) -> float:
    """Return a charge as a gauge shows it: never below 0."""
    return max(value, 0.0)


def settled(trial: Trial, day: Day) -> bool:
    """Tell if the charge has not jumped within the last three days (nor at the start)."""
    jumps = [when for what, when in trial.events.items() if what in {"air_cushion_lost", "refilled"}]
    return all(not when <= day.day < when + 3.0 for when in [*jumps, 0.0])


def judged(trials: Iterable[Trial]) -> list[tuple[Trial, Day]]:
    """Return the days on which there is an estimate and the truth is settled; not those of a blind sensor."""
    return [
        (trial, day)
        for trial in trials
        if trial.scenario != "upstream" and trial.code not in UNSEEN
        for day in trial.daily
        if day.kpa is not None and settled(trial, day)
    ]


def errors(pairs: Sequence[tuple[Trial, Day]]) -> Errors:
    """Return the errors over these days."""
    rows = [
        (clipped(day.kpa), clipped(day.low), clipped(day.high), clipped(day.truth))
        for _, day in pairs
        if day.kpa is not None and day.low is not None and day.high is not None
    ]
    if not rows:
        return Errors(0, *(float("nan"),) * 4)
    seen, low, high, truth = np.array(rows).T
    # A tenth of a kilopascal: both ends may be clipped to 0 where nothing is left.
    inside = (low - 0.1 <= truth) & (truth <= high + 0.1)
    return Errors(
        len(rows),
        float(np.mean(np.abs(seen - truth))),
        float(np.mean(seen - truth)),
        float(np.mean(inside)),
        float(np.mean(high - low) / 2.0),
    )


def truth_at(trial: Trial, when: float) -> Day:
    """Return the truth at the end of the day in which ``when`` [days] lies."""
    return trial.daily[min(int(when), len(trial.daily) - 1)]


def right(trial: Trial, said: Said) -> bool:
    """Tell if a finding was true (or in the grey zone) when it was raised."""
    if said.fault in trial.also:
        return True
    day = truth_at(trial, said.raised)
    if said.fault == "air_charge_low":
        return day.truth / trial.supply < FINE and not _refilled_before(trial, said.raised)
    if said.fault == "air_cushion_lost":
        return day.share < NOT_LOST and not _refilled_before(trial, said.raised)
    if said.fault == "relief_discharging":
        return trial.relief_first is not None and trial.relief_first <= said.raised
    if said.fault != "blind":
        return said.fault == trial.code and said.raised >= trial.onset
    return _blind_is_right(trial, said)


def _refilled_before(trial: Trial, when: float) -> bool:
    return "refilled" in trial.events and when >= trial.events["refilled"]


def _blind_is_right(trial: Trial, said: Said) -> bool:
    if trial.scenario == "silent":
        return trial.events["silent_from"] <= said.raised <= trial.events["silent_until"] + 1.0
    return trial.scenario == "upstream"


def onset(trial: Trial) -> tuple[str, float] | None:
    """Return which charge fault must be named and from which day on; None where none must."""
    for day in trial.daily:
        if day.share <= LOST:
            return "air_cushion_lost", trial.events.get("air_cushion_lost", day.day)
        if day.truth / trial.supply <= LOW:
            return "air_charge_low", day.day if trial.scenario == "slow_loss" else 0.0
    return None


def first(trial: Trial, faults: Iterable[str], *, only_right: bool = True) -> float | None:
    """Return the day on which one of these faults was first raised."""
    wanted = set(faults)
    days = [s.raised for s in trial.said if s.fault in wanted and (right(trial, s) or not only_right)]
    return min(days, default=None)


@dataclass(frozen=True, slots=True)
class Detection:
    """Of plants that had a fault for some days: how many were named, after how long [days]."""

    plants: int
    named: int
    other_name: int
    delays: tuple[float, ...]

    @property
    def median(self) -> float:
        """Return the median delay [days]."""
        return float(np.median(self.delays)) if self.delays else float("nan")

    @property
    def slowest(self) -> float:
        """Return the 90th percentile of the delay [days]."""
        return float(np.percentile(self.delays, 90)) if self.delays else float("nan")


def detection(trials: Iterable[Trial], fault: str, grace: float = 3.0) -> Detection:
    """Return how a charge fault was found; the other charge fault in its place counts as ``other_name``."""
    plants = named = other = 0
    delays: list[float] = []
    for trial in trials:
        must = onset(trial)
        ends = trial.events.get("refilled", trial.days)
        if must is None or must[0] != fault or ends - must[1] < grace or trial.scenario == "upstream":
            continue
        plants += 1
        own = first(trial, [fault])
        found = first(trial, CHARGE_FAULTS)
        named += own is not None
        other += own is None and found is not None
        if found is not None:
            delays.append(found - must[1])
    return Detection(plants, named, other, tuple(delays))


def relief_found(trials: Iterable[Trial]) -> Detection:
    """Return how relief valves that ran on two days or more, half a litre in all, were found.

    One cause, one event: where a charge fault was raised instead it may carry the discharge, and counts as
    ``other_name``. Delays are of those that were named.
    """
    ran = [t for t in trials if t.relief_first is not None and t.relief_days >= 2 and t.relief_litres >= 0.5]
    found = [(t, first(t, ["relief_discharging"])) for t in ran]
    delays = [when - t.relief_first for t, when in found if when is not None and t.relief_first is not None]
    other = sum(when is None and first(t, CHARGE_FAULTS) is not None for t, when in found)
    return Detection(len(ran), len(delays), other, tuple(delays))


def warning_before_relief(trials: Iterable[Trial]) -> list[float]:
    """Return, for slow losses whose relief valve opened, how many days the first right warning was before."""
    leads: list[float] = []
    for trial in trials:
        if trial.scenario == "slow_loss" and trial.relief_first is not None:
            warned = first(trial, CHARGE_FAULTS)
            leads.append(trial.relief_first - (trial.days if warned is None else warned))
    return leads


def false_findings(trials: Iterable[Trial]) -> list[tuple[Trial, Said]]:
    """Return findings that were not true when raised; ``blind`` is not among them (it is no accusation)."""
    return [(t, s) for t in trials for s in t.said if s.fault != "blind" and not right(t, s)]


def confusion(trials: Iterable[Trial]) -> dict[str, dict[str, int]]:
    """Return, by scenario, at how many plants each fault was raised at all (``none``: no fault)."""
    table: dict[str, dict[str, int]] = {}
    for trial in trials:
        row = table.setdefault(trial.scenario, dict.fromkeys(["plants", *FAULTS, "none", "failed"], 0))
        row["plants"] += 1
        row["failed"] += bool(trial.failed)
        raised = {s.fault for s in trial.said}
        for fault in raised:
            row[fault] = row.get(fault, 0) + 1
        row["none"] += not raised and not trial.failed
    return table


def holding(trials: Iterable[Trial], true: Callable[[Trial, Day], bool]) -> tuple[int, int]:
    """Return on how many of the days for which ``true`` is so it was said to hold, and of how many."""
    days = [day for trial in trials for day in trial.daily if true(trial, day)]
    return sum(day.verdict == "holding" for day in days), len(days)


def is_wrong(trial: Trial, day: Day) -> bool:
    """Tell if a plant has been low or lost for a day or more, or its sensor shows nothing of it."""
    before = truth_at(trial, max(day.day - 1.5, 0.0))
    bad = day.truth / trial.supply <= LOW and before.truth / trial.supply <= LOW
    silent = trial.events.get("silent_from", 1e9) + 1.0 <= day.day <= trial.events.get("silent_until", -1.0)
    return day.day >= 2.0 and (bad or silent or trial.scenario == "upstream")


def is_fine(trial: Trial, day: Day) -> bool:
    """Tell if a plant is fine (and can be seen)."""
    return (
        day.day >= 2.0
        and day.truth / trial.supply >= FINE
        and trial.scenario in {"healthy", "refill", "torn"}
    )
