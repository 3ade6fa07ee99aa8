"""Scores the watch of a visit on plants drawn by seed: refills that hold, that leak at several rates, that tear.

python -m tests.bench.watches --seeds 1400:1430

Each plant is that of `tests.bench.lottery`, with a tank that was low and is pumped up on day 7; "held" must never
be said of one that loses 2 % of its air a day or more, "fallen" never of one that holds.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.diagnosis.watchweek import DAY, WatchState, watches
from monitor.estimation.samples import FloatArray, Samples
from monitor.service.analyser import Analyser
from monitor.site import Visit, VisitAction
from tests.bench.lottery import Ticket, draw
from tests.bench.trial import readings_of, site_of
from tests.plants.cases import PSI, jumping, losing
from tests.plants.cushion import atmosphere
from tests.plants.write import START

VISIT: Final = 7.4 * DAY
DONE: Final = VISIT + 2400.0
PUMPED: Final = VISIT + 1200.0
LENGTH: Final = 14.6

RATES: Final = {"holds": 0.0, "loses 1 % a day": 0.01, "loses 2 % a day": 0.02, "loses 5 % a day": 0.05}
TEARS: Final = "tears after two days"

Course = Callable[[FloatArray], FloatArray]


def after(kind: str, ticket: Ticket, low: float, left: float) -> Course:
    """Return the charge [kPa gauge] of a plant that is pumped from ``low`` to ``left`` on day 7."""
    outside = atmosphere(ticket.case.fitting.altitude)
    if kind == TEARS:
        later = jumping(left, 0.05 * (left + outside) - outside, PUMPED + 2 * DAY)
    else:
        later = losing(left, RATES[kind], from_day=PUMPED / DAY, altitude=ticket.case.fitting.altitude)
    return lambda time: np.where(time < PUMPED, low, later(time))


def one(seed: int, kind: str) -> tuple[WatchState, str, float]:
    """Return how the watch of a plant ended, why, and after how many days."""
    ticket = draw(seed)
    rng = np.random.default_rng([seed, 103])
    left = ticket.supply * float(rng.uniform(0.95, 1.0))
    low = ticket.supply * float(rng.uniform(0.3, 0.6))
    read = left + float(rng.normal(0.0, 0.7 * PSI))
    case = replace(
        ticket.case,
        days=LENGTH,
        charge=after(kind, ticket, low, left),
        open_spans=((VISIT, DONE),),
        visits=(),
        sensor=replace(ticket.case.sensor, gaps=(), upstream=False),
    )
    ticket = replace(ticket, case=case)
    result = readings_of(ticket)
    visit = Visit(START + DONE, VisitAction.REFILLED, read * 1e3)
    analyser = Analyser(site_of(ticket))
    analyser.visit(visit)
    analyser.feed(
        Samples(START + result["time"], result["pressure"], result["heater"], result["temperature"])
    )
    analyser.tick(START + LENGTH * DAY)
    report = analyser.report()
    for hours in range(0, 7 * 24 + 1, 6):
        (found,) = watches(analyser.site, [visit], report, visit.time + hours * 3600.0)
        if found.state is not WatchState.RUNNING:
            return found.state, found.reason.value, hours / 24.0
    raise AssertionError("a watch that does not end")


def main() -> int:
    """Print how many watches ended how."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="1400:1430", help="first:last")
    first, last = (int(part) for part in parser.parse_args().seeds.split(":"))
    sys.stdout.write(
        "| after the refill | held | fallen, median day | not provable, why |\n| --- | --- | --- | --- |\n"
    )
    for kind in (*RATES, TEARS):
        ended = [one(seed, kind) for seed in range(first, last)]
        held = sum(state is WatchState.HELD for state, _, _ in ended)
        days = [day for state, _, day in ended if state is WatchState.FALLEN]
        why = Counter(reason for state, reason, _ in ended if state is WatchState.UNPROVABLE)
        fell = f"{len(days)}, day {float(np.median(days)):.1f}" if days else "0"
        said = ", ".join(f"{count} {reason}" for reason, count in why.most_common())
        sys.stdout.write(f"| {kind} | {held} of {len(ended)} | {fell} | {sum(why.values())}: {said} |\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
