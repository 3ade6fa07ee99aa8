"""What general alternatives make of the same readings: when each would first have called the tank faulty.

    python -m tests.bench.others --seeds 0:100

They see the readings and nothing of the site but the heat input and the relief setting. Each gives one date:
that of its first alarm. It counts as found where it comes while the tank is low or lost, as false where it
comes before. The analyser's own dates (any code of the charge) stand beside them.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.bench import score
from tests.bench.accuracy import span
from tests.bench.lottery import Ticket, draw
from tests.bench.trial import Trial, live, readings_of
from tests.plants.cushion import Result
from tests.plants.trace import DAY, FloatArray

PER_KILOJOULE: Final = 0.1015
"""Millilitres that water at 45 °C grows by for a kilojoule: beta / (rho cp) of handbook values."""


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Burns without a draw: day of the end, absolute pressures before and after [kPa], growth by heat [mL]."""

    day: FloatArray
    before: FloatArray
    after: FloatArray
    growth: FloatArray

    @property
    def rise(self) -> FloatArray:
        """Return the rise over the growth [kPa/mL]."""
        return (self.after - self.before) / self.growth

    @property
    def air(self) -> FloatArray:
        """Return mL x p1 x p2 / rise: the air of an isothermal cushion [kPa mL]."""
        return self.growth * self.before * self.after / (self.after - self.before)


def cycles_of(result: Result, watts: float) -> Cycles:
    """Return the burns of a log in which the pressure never falls by more than 3 kPa and 60 mL are heated."""
    time, line = result["time"], result["pressure"]
    on = np.nan_to_num(result["heater"]) > 0.5
    edges = np.flatnonzero(np.diff(on.astype(np.int8), prepend=0, append=0))
    rows = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first < 3:
            continue
        part = line[first:last]
        growth = watts / 1000.0 * (time[last - 1] - time[first]) * PER_KILOJOULE
        rose = part[-1] - part[0]
        if growth >= 60.0 and rose > 3.0 and np.max(np.maximum.accumulate(part) - part) < 3.0:
            rows.append((time[last - 1] / DAY, part[0] + 101.325, part[-1] + 101.325, growth))
    table = np.array(rows).reshape(-1, 4)
    return Cycles(*table.T)


Rule = Callable[[Ticket, Result, Cycles], float | None]


def _first(days: FloatArray, alarms: np.ndarray) -> float | None:
    return float(days[np.argmax(alarms)]) if alarms.any() else None


def fixed_limit(ticket: Ticket, result: Result, _: Cycles) -> float | None:
    """Alarm where the line passes 0.9 of the relief setting."""
    return _first(result["time"] / DAY, result["pressure"] > 0.9 * ticket.case.fitting.relief.setting)


def z_score(_: Ticket, __: Result, cycles: Cycles) -> float | None:
    """Alarm where the rise for the heat is 3 deviations over the mean of the 30 cycles before, twice running."""
    rise = cycles.rise
    high = np.zeros(len(rise), bool)
    for i in range(10, len(rise)):
        past = rise[max(i - 30, 0) : i]
        high[i] = rise[i] > past.mean() + 3.0 * max(float(past.std()), 1e-9)
    return _first(cycles.day, high & np.roll(high, 1))


def cusum(_: Ticket, __: Result, cycles: Cycles) -> float | None:
    """Alarm where the tabular CUSUM of the log rise passes 5 deviations (k = 0.5), set by the first 20 cycles."""
    value = np.log(cycles.rise)
    if len(value) < 25:
        return None
    mean, spread = float(np.mean(value[:20])), max(float(np.std(value[:20], ddof=1)), 1e-6)
    level, alarms = 0.0, np.zeros(len(value), bool)
    for i in range(20, len(value)):
        level = max(0.0, level + (value[i] - mean) / spread - 0.5)
        alarms[i] = level > 5.0
    return _first(cycles.day, alarms)


def frozen_baseline(_: Ticket, __: Result, cycles: Cycles) -> float | None:
    """Alarm where the 3-day median of the air is 25 % below that of the first 5 days with 8 cycles."""
    if len(cycles.day) < 10:
        return None
    first = cycles.day[0]
    base = cycles.day < max(first + 5.0, float(cycles.day[7]))
    level = float(np.median(cycles.air[base]))
    alarms = np.zeros(len(cycles.day), bool)
    for i in np.flatnonzero(~base):
        recent = cycles.air[(cycles.day > cycles.day[i] - 3.0) & (cycles.day <= cycles.day[i])]
        alarms[i] = len(recent) >= 4 and float(np.median(recent)) < 0.75 * level
    return _first(cycles.day, alarms)


RULES: Final[dict[str, Rule]] = {
    "fixed pressure limit": fixed_limit,
    "rolling z-score": z_score,
    "CUSUM": cusum,
    "3-day median, frozen baseline": frozen_baseline,
}


def one(job: tuple[int, float]) -> tuple[Trial, dict[str, float | None]]:
    """Return what the analyser and each rule say of the plant of a seed."""
    ticket = draw(*job)
    result = readings_of(ticket)
    cycles = cycles_of(result, ticket.known.input * ticket.known.efficiency)
    trial = live(ticket)
    said = {name: rule(ticket, result, cycles) for name, rule in RULES.items()}
    found = [s.raised for s in trial.said if s.fault in score.CHARGE_FAULTS]
    return trial, {**said, "the analyser": min(found, default=None)}


def judged(trial: Trial, when: float | None) -> tuple[str, float]:
    """Return "found", "missed", "false" or "quiet", and the delay [days] of what was found."""
    must = score.onset(trial)
    if when is not None:
        day = score.truth_at(trial, when)
        refilled = when >= trial.events.get("refilled", 1e9)
        if refilled or day.truth / trial.supply >= score.FINE or trial.scenario == "upstream":
            return "false", 0.0
        if must is not None:
            return "found", when - must[1]
        return "quiet", 0.0
    return ("quiet", 0.0) if must is None or trial.scenario == "upstream" else ("missed", 0.0)


def table(rows: list[tuple[Trial, dict[str, float | None]]]) -> str:
    """Return the rules side by side."""
    years = max(sum(trial.days for trial, _ in rows) / 365.25, 1e-9)
    lines = [f"{'first alarm':32} found missed false  false a year  delay: median 90 % [days]"]
    for name in [*RULES, "the analyser"]:
        verdicts = [judged(trial, said[name]) for trial, said in rows]
        count = {what: sum(v == what for v, _ in verdicts) for what in ("found", "missed", "false")}
        delays = [delay for what, delay in verdicts if what == "found"] or [float("nan")]
        lines.append(
            f"{name:32} {count['found']:5} {count['missed']:6} {count['false']:5} {count['false'] / years:13.2f} "
            f"{np.median(delays):14.1f} {np.percentile(delays, 90):5.1f}"
        )
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run the rules and the analyser on the same plants."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=span, default=span("0:100"), metavar="FIRST:END")
    parser.add_argument("--days", type=float, default=35.0)
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        rows = pool.map(one, [(seed, asked.days) for seed in asked.seeds], chunksize=1)
    sys.stdout.write(f"{len(rows)} plants\n{table(rows)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
