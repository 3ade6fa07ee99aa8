"""Whether it ever says "holding" where nothing could be seen: each way to go blind, on sound plants.

    python -m tests.bench.blindness --plants 50 --days 60          # acceptance, an hour or two on one core
    python -m tests.bench.blindness --plants 8 --days 30 --only "no data" --only "frozen line"

The plants are sound, gauged ones of `lottery`, so that they may hold before. From an evening on nothing
can be seen; evidence from before counts for its stated age (`EVIDENCE_LASTS`), then no evening may be
called "holding". Ends with 1 where one was. Seeds 1000 to 1999 are held out as in `lottery`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import count, islice

import numpy as np

from monitor.diagnosis.sight import EVIDENCE_LASTS
from tests.bench import lottery, trial
from tests.bench.blinders import MODES
from tests.bench.trial import Trial
from tests.plants.size import vessel_for
from tests.plants.trace import DAY

AGE = EVIDENCE_LASTS / DAY
MONTH = 365.25 / 12.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One plant gone blind in one way; days since its start. ``began`` 0: never anything to see."""

    mode: str
    seed: int
    days: float
    began: float
    ended: float
    before: tuple[int, int]
    """Evenings said to hold before, of how many."""
    wrong: tuple[int, ...]
    """Evenings said to hold after the evidence had run out."""
    told: float | None
    late: bool
    """Neither blind nor a fault in the first evening a day after the evidence had run out."""
    false: tuple[str, ...]
    failed: str = ""


def seeds_from(first: int) -> Iterator[int]:
    """Yield seeds of sound, gauged plants."""
    for seed in count(first):
        ticket = lottery.draw(seed, 20.0)
        if ticket.scenario == "healthy" and ticket.gauged:
            yield seed


def _lived(ticket: lottery.Ticket) -> Trial:
    result = trial.readings_of(ticket)
    lived = trial._begin(ticket, result)
    try:
        trial._feed(ticket, result, lived)
    except Exception as problem:  # noqa: BLE001 - a crash is a result too
        lived.failed = f"{type(problem).__name__}: {problem}"
    return lived


def one(job: tuple[str, int, float]) -> Outcome:
    """Live through one plant and one way to go blind."""
    name, seed, days = job
    mode = MODES[name]
    ticket = lottery.draw(seed, days)
    rng = np.random.default_rng([seed, 201])
    began = 0.0 if mode.from_start else float(rng.uniform(6.0, max(0.5 * days, 7.0)))
    ended = min(began + mode.lasts, days)
    return _outcome(name, began, ended, _lived(mode.blind(_sound(ticket, days), began, rng)))


def _sound(ticket: lottery.Ticket, days: float) -> lottery.Ticket:
    """Return a plant of so many days whose vessel is large enough: no accusation of it is right."""
    case = ticket.case
    enough = 1.2 * vessel_for(ticket.known, ticket.supply, 0.8 * case.fitting.relief.setting, case.fitting)
    vessel = round(max(case.vessel_litres, enough), 1)
    said = {**case.site, "tank.volume": case.site["tank.volume"] and f"{vessel} L"}
    return replace(ticket, case=replace(case, days=days, vessel_litres=vessel, site=said))


def _outcome(name: str, began: float, ended: float, lived: Trial) -> Outcome:
    mode = MODES[name]
    known_until = began if mode.from_start else began + AGE
    before = [day.verdict == "holding" for day in lived.daily if day.day <= began]
    after = [day for day in lived.daily if began < day.day <= ended]
    held = [day.day for day in after if day.verdict == "holding"]
    unseen = mode.unseen
    telling = {"blind", *mode.right}
    told = [s.raised for s in lived.said if s.fault in telling and s.raised >= began]
    due = [day for day in after if day.day >= known_until + (2.0 if mode.from_start else 1.0)][:1]
    return Outcome(
        name,
        lived.seed,
        lived.days,
        began,
        ended,
        (sum(before), len(before)),
        tuple(int(day) for day in held if unseen and day > known_until),
        min(told, default=None),
        unseen and any(day.verdict not in {"blind", "fault"} for day in due),
        tuple(f"{s.fault}@{s.raised:.1f}" for s in lived.said if s.fault not in telling),
        lived.failed,
    )


def _row(name: str, rows: Sequence[Outcome]) -> str:
    mode = MODES[name]
    said, evenings = (sum(part) for part in zip(*(row.before for row in rows), strict=True))
    delays = [row.told - row.began for row in rows if row.told is not None]
    told = f"{np.median(delays):6.2f} {max(delays):6.2f}" if delays else "     -      -"
    wrong = f"{sum(len(row.wrong) for row in rows)}" if mode.unseen else "(seen)"
    false = sum(len(row.false) for row in rows)
    rate = 100.0 * false / (sum(row.days for row in rows) / MONTH)
    share = f"{said}/{evenings}"
    return (
        f"{name:26} {len(rows):6} {share:>9} {wrong:>8} {f'{len(delays)}/{len(rows)}':>7} {told} "
        f"{sum(row.late for row in rows):5} {false:6} {rate:9.1f}"
    )


def _offences(rows: Sequence[Outcome]) -> list[str]:
    lines = []
    for row in rows:
        where = f"    {row.mode}, seed {row.seed}, blind from day {row.began:.1f}:"
        if row.wrong:
            lines.append(f"{where} held on days {', '.join(map(str, row.wrong))}")
        if row.late:
            lines.append(f"{where} neither blind nor a fault a day after its evidence had run out")
        if row.false:
            lines.append(f"{where} false: {', '.join(row.false)}")
        if row.failed:
            lines.append(f"{where} crashed: {row.failed}")
    return lines


def table(rows: Sequence[Outcome]) -> str:
    """Return one line a way to go blind, and one an offending plant."""
    lines = [
        f"{'':26} {'':>6} {'evenings said to hold':>21} {'told, days after':>18} {'':>5} {'false faults':>14}",
        f"{'way to go blind':26} {'plants':>6} {'before':>9} {'unseen':>8} {'told':>7} {'median':>6} "
        f"{'worst':>6} {'late':>5} {'all':>6} {'100 mon.':>9}",
    ]
    for name in MODES:
        group = [row for row in rows if row.mode == name]
        if group:
            lines.append(_row(name, group))
    false = sum(len(row.false) for row in rows)
    months = sum(row.days for row in rows) / MONTH
    wrong = sum(len(row.wrong) for row in rows)
    lines.append(
        f"all: {wrong} evenings said to hold while unobservable, {sum(row.late for row in rows)} told late, "
        f"{false} false faults in {months:.0f} site-months: {100.0 * false / months:.2f} in 100"
    )
    return "\n".join([*lines, *_offences(rows)]) + "\n"


def main() -> int:
    """Run the ways to go blind; exit code 1 if an evening was said to hold while nothing could be seen."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--plants", type=int, default=4, help="for each way to go blind")
    parser.add_argument("--from", type=int, default=0, dest="first", metavar="SEED", help="first seed")
    parser.add_argument("--days", type=float, default=20.0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", action="append", choices=list(MODES), help="this way; may be repeated")
    asked = parser.parse_args()
    if asked.days < 14.0:
        parser.error("--days must be 14 or more: evidence from before counts for three of them")
    seeds = list(islice(seeds_from(asked.first), asked.plants))
    jobs = [(name, seed, asked.days) for name in asked.only or MODES for seed in seeds]
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        rows = pool.map(one, jobs, chunksize=1)
    sys.stdout.write(f"seeds {seeds}, {asked.days:.0f} days each\n{table(rows)}")
    return 1 if any(row.wrong or row.failed for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
