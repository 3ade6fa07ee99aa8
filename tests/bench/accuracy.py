"""How right the analyser is, on plants drawn by seed from traces and a plant that are not its author's.

    python -m tests.bench.accuracy --seeds 0:200 --json /tmp/scores.json
    python -m tests.bench.accuracy --seeds 0:120 --all-faults         # every kind of fault, odd healthy plants
    python -m tests.bench.accuracy --again /tmp/scores.json          # the tables of an earlier run
    python -m tests.bench.accuracy --seeds 17:18 --write /tmp/seed17  # one plant as files for ``examine``

Seeds 0 to 999 are for tuning; 1000 to 1999 are held out and never tuned on.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from tests.bench import codes, every, lottery, tables
from tests.bench.trial import Day, Said, Trial, live
from tests.plants.write import write

HELD_OUT: Final = range(1000, 2000)


LOTTERIES: Final = {False: lottery, True: every}
"""By whether every kind of fault is asked for."""


def one(job: tuple[int, float, bool]) -> Trial:
    """Live through the plant of a seed."""
    seed, longest, all_faults = job
    return live(LOTTERIES[all_faults].draw(seed, longest))


def span(text: str) -> range:
    """Read ``FIRST:END`` (END not included) or one seed."""
    first, _, end = text.partition(":")
    return range(int(first), int(end) if end else int(first) + 1)


def run(seeds: list[int], longest: float, jobs: int, *, all_faults: bool = False) -> Iterator[Trial]:
    """Yield trials as they finish, in order of the seeds."""
    work = [(seed, longest, all_faults) for seed in seeds]
    if jobs == 1:
        yield from map(one, work)
        return
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        yield from pool.imap(one, work)


def revived(plain: dict[str, Any]) -> Trial:
    """Return the trial that was written as JSON."""
    daily = [Day(**day) for day in plain["daily"]]
    said = [Said(**finding) for finding in plain["said"]]
    return Trial(**{**plain, "daily": daily, "said": said})


def _write(seeds: list[int], longest: float, out: Path, *, all_faults: bool) -> None:
    for seed in seeds:
        ticket = LOTTERIES[all_faults].draw(seed, longest)
        folder = out if len(seeds) == 1 else out / str(seed)
        write(ticket.case, folder, seed, ticket.trace())
        sys.stdout.write(f"{seed}: {ticket.case.summary} -> {folder}\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=span, default=span("0:100"), metavar="FIRST:END")
    parser.add_argument(
        "--only",
        choices=list({**lottery.SCENARIOS, **every.SCENARIOS}),
        help="plants of one scenario among these seeds",
    )
    parser.add_argument("--all-faults", action="store_true", help="plants of `every`, not of `lottery`")
    parser.add_argument("--days", type=float, default=35.0, help="longest run; runs last 0.6 to 1.0 of it")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path, metavar="OUT", help="keep every trial")
    parser.add_argument("--again", type=Path, metavar="JSON", help="tables of trials that were kept")
    parser.add_argument("--write", type=Path, metavar="DIR", help="write the plants as files, run nothing")
    parser.add_argument("--list", action="store_true", help="also one line a plant")
    return parser.parse_args()


def main() -> int:
    """Run the plants, print the tables; exit code 1 if the analyser crashed on one of them."""
    asked = _arguments()
    chosen = LOTTERIES[asked.all_faults]
    seeds = [s for s in asked.seeds if asked.only in {None, chosen.draw(s, asked.days).scenario}]
    if asked.write is not None:
        _write(seeds, asked.days, asked.write, all_faults=asked.all_faults)
        return 0
    if asked.again is not None:
        trials = [revived(plain) for plain in json.loads(asked.again.read_text(encoding="utf-8"))]
    else:
        trials = []
        for trial in run(seeds, asked.days, asked.jobs, all_faults=asked.all_faults):
            trials.append(trial)
            if sys.stderr.isatty():
                sys.stderr.write(f"\r{len(trials)} of {len(seeds)} plants ")
                sys.stderr.flush()
    if asked.json is not None:
        asked.json.write_text(json.dumps([trial.plain() for trial in trials]), encoding="utf-8")
    held = sum(trial.seed in HELD_OUT for trial in trials)
    sys.stdout.write(
        f"seeds {asked.seeds.start}:{asked.seeds.stop}, {len(trials)} plants, {held} of them held out\n"
    )
    sys.stdout.write(tables.all_of(trials, each=asked.list))
    if any(trial.told for trial in trials):
        sys.stdout.write("\n" + codes.table(trials))
    return 1 if any(trial.failed for trial in trials) else 0


if __name__ == "__main__":
    sys.exit(main())
