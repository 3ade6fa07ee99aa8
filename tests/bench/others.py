"""What general alternatives make of the same readings, beside the analyser.

    pip install -e ".[bench]"                            # river and ruptures, for three of the rules
    python -m tests.bench.others --seeds 1000:1100       # side by side, on plants that nothing was tuned on
    python -m tests.bench.others --tune --seeds 0:200    # the settings that are granted to them

The alternatives see the readings and nothing of the site but the heater's true input and the relief setting.
Each gives one date: that of its first alarm. Each is granted the setting that finds most wrong tanks of the
tuning plants while no more than 5 % of the healthy ones alarm; the analyser has no setting. An alarm counts as
found where it comes while the tank is low or lost, as false where it comes while nothing is wrong.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from monitor.service.analyser import Analyser
from tests.bench import score
from tests.bench import trial as trials
from tests.bench.accuracy import HELD_OUT, span
from tests.bench.lottery import Ticket, draw
from tests.bench.rules import ALTERNATIVES, Cycles
from tests.bench.trial import Trial, live, readings_of
from tests.plants.cushion import Result, course
from tests.plants.size import peak_of
from tests.plants.trace import DAY

PER_KILOJOULE: Final = 0.1015
"""Millilitres that water at 45 °C grows by for a kilojoule: beta / (rho cp) of handbook values."""

HEALTHY: Final = frozenset({"healthy", "silent"})
"""Scenarios in which nothing is ever wrong with the tank."""

ALLOWED: Final = 0.05
"""Share of healthy plants that may alarm when a rule is tuned."""

Said = dict[str, float | None]


def cycles_of(ticket: Ticket, result: Result) -> Cycles:
    """Return the burns of a log in which the pressure never falls by more than 3 kPa and 60 mL are heated."""
    watts = ticket.known.input * ticket.known.efficiency
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
    tops = np.full(int(np.ceil(ticket.case.days)), -np.inf)
    np.maximum.at(tops, (time / DAY).astype(int), line)
    table = np.array(rows).reshape(-1, 4)
    return Cycles(*table.T, tops=tops, relief=ticket.case.fitting.relief.setting)


def one(job: tuple[int, float]) -> tuple[Trial, Said]:
    """Return what the analyser and each rule say of the plant of a seed."""
    ticket = draw(*job)
    cycles = cycles_of(ticket, readings_of(ticket))
    trial = live(ticket)
    said = {name: a.rule(cycles, a.granted) for name, a in ALTERNATIVES.items() if not a.missing}
    found = [s.raised for s in trial.said if s.fault in score.CHARGE_FAULTS]
    return trial, {**said, "the analyser": min(found, default=None)}


def truth_of(ticket: Ticket, result: Result) -> Trial:
    """Return the truth of a plant at the end of each day, without the analyser."""
    made = trials._begin(ticket, result)
    nothing = Analyser(trials.site_of(ticket)).report()
    evenings = range(1, int(ticket.case.days) + 1)
    made.daily = [trials._evening(ticket, nothing, float(day)) for day in evenings]
    return made


def tried(job: tuple[int, float]) -> tuple[Trial, dict[str, list[float | None]]]:
    """Return the truth of a plant and the alarms of each rule by all its settings."""
    ticket = draw(*job)
    result = readings_of(ticket)
    cycles = cycles_of(ticket, result)
    rules = {name: a for name, a in ALTERNATIVES.items() if not a.missing}
    return truth_of(ticket, result), {
        name: [a.rule(cycles, setting) for setting in a.tried] for name, a in rules.items()
    }


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


def best(name: str, rows: Sequence[tuple[Trial, dict[str, list[float | None]]]]) -> tuple[Any, float, int]:
    """Return a rule's best setting, the share of healthy plants that alarm with it, and how many it finds."""
    scores = []
    for i, setting in enumerate(ALTERNATIVES[name].tried):
        healthy = [alarms[name][i] is not None for trial, alarms in rows if trial.scenario in HEALTHY]
        found = sum(judged(trial, alarms[name][i])[0] == "found" for trial, alarms in rows)
        false = sum(healthy) / max(len(healthy), 1)
        scores.append((false <= ALLOWED, found if false <= ALLOWED else -false, setting, false, found))
    _, _, setting, false, found = max(scores, key=lambda s: s[:2])
    return setting, false, found


def _days(values: Sequence[float]) -> str:
    return f"{np.median(values):6.1f} {np.percentile(values, 90):6.1f}" if values else "     -      -"


def _group(rows: Sequence[tuple[Trial, Said]], name: str, scenarios: set[str]) -> str:
    """Return found of all, and delay (median, 90 %), of plants that had a fault of the charge."""
    verdicts = [judged(trial, said[name]) for trial, said in rows if trial.scenario in scenarios]
    delays = [delay for what, delay in verdicts if what == "found"]
    # A false alarm has spent the rule's one date: what was wrong later is missed.
    due = sum(score.onset(trial) is not None for trial, _ in rows if trial.scenario in scenarios)
    return f"{f'{len(delays)}/{due}':>8} {_days(delays)}"


def would_open(seed: int, days: float) -> float | None:
    """Return the day on which a slow loss lets a full recovery from cold reach the relief setting.

    None where it would on the first day, or not within 400 days.
    """
    ticket = draw(seed, days)
    case = ticket.case

    def reaches(day: float) -> bool:
        left = float(course(case.charge, np.array([day * DAY]))[0])
        peak = peak_of(ticket.known, case.supply, case.vessel_litres, left, case.fitting)
        return peak >= case.fitting.relief.setting

    low, high = 0.0, 400.0
    if reaches(low) or not reaches(high):
        return None
    while high - low > 0.05:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def _leads(rows: Sequence[tuple[Trial, Said]], name: str, opens: dict[int, float]) -> str:
    """Return how many slow losses were warned of before the relief valve would open, and by how many days.

    Of those whose valve would open while the plant was watched or within a month after.
    """
    leads, due = [], 0
    for trial, said in rows:
        when = said[name]
        if opens.get(trial.seed, np.inf) > trial.days + 30.0:
            continue
        due += 1
        if when is not None and judged(trial, when)[0] != "false" and when < opens[trial.seed]:
            leads.append(opens[trial.seed] - when)
    middle = f"{np.median(leads):6.1f}" if leads else "     -"
    return f"{f'{len(leads)}/{due}':>8} {middle}"


def table(rows: Sequence[tuple[Trial, Said]], longest: float) -> str:
    """Return the rules side by side."""
    slow = {trial.seed: would_open(trial.seed, longest) for trial, _ in rows if trial.scenario == "slow_loss"}
    opens = {seed: day for seed, day in slow.items() if day is not None}
    healthy = [(trial, said) for trial, said in rows if trial.scenario in HEALTHY]
    head = "found  median  90 %"
    lines = [
        f"{'':30} {'healthy':>8} {'false':>6} {'lost on a day':>22} {'wrong from the start':>22} "
        f"{'slow loss':>22} {'before relief valve':>20}",
        f"{'first alarm':30} {'alarming':>8} {'plants':>6} {head:>22} {head:>22} {head:>22} {'warned  median':>16}",
    ]
    for name in [*ALTERNATIVES, "the analyser"]:
        if name in ALTERNATIVES and ALTERNATIVES[name].missing:
            lines.append(f'{name:30} needs {ALTERNATIVES[name].library}: pip install -e ".[bench]"')
            continue
        share = sum(said[name] is not None for _, said in healthy) / max(len(healthy), 1)
        false = sum(judged(trial, said[name])[0] == "false" for trial, said in rows)
        groups = ({"torn"}, {"waterlogged", "low", "refill"}, {"slow_loss"})
        cells = " ".join(_group(rows, name, scenarios) for scenarios in groups)
        lines.append(f"{name:30} {share:8.1%} {false:6} {cells} {_leads(rows, name, opens)}")
    return "\n".join(lines) + "\n"


def tuned(rows: Sequence[tuple[Trial, dict[str, list[float | None]]]]) -> str:
    """Return the best setting of each rule."""
    lines = []
    for name, alternative in ALTERNATIVES.items():
        if alternative.missing:
            lines.append(f'{name:30} needs {alternative.library}: pip install -e ".[bench]"')
            continue
        setting, false, found = best(name, rows)
        lines.append(
            f"{name:30} {setting!s:>16} (granted {alternative.granted}): {false:.1%} false, {found} found"
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
    parser.add_argument("--tune", action="store_true", help="print each rule's best setting, run no analyser")
    asked = parser.parse_args()
    if asked.tune and set(asked.seeds) & set(HELD_OUT):
        parser.error("seeds 1000 to 1999 are held out: nothing is tuned on them; take some of 0:1000")
    jobs = [(seed, asked.days) for seed in asked.seeds]
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        text = tuned(pool.map(tried, jobs, 1)) if asked.tune else table(pool.map(one, jobs, 1), asked.days)
    sys.stdout.write(f"seeds {asked.seeds.start}:{asked.seeds.stop}, {len(jobs)} plants; days\n{text}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
