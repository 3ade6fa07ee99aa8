"""Injure the real service, count what is lost, and print one table; exit code 1 where a promise is broken.

    python -m tests.faults --small
    python -m tests.faults --only kill,power --seed 7

It needs what the integration tests need (mosquitto; InfluxDB and nginx, strace, libfaketime and the right to mount
where they are to be had: a fault without them is skipped, in words). All of it runs on loopback, in temporary
folders. The large size takes about 25 minutes on two cores.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from functools import partial

from tests.faults.catalogue import FAULTS, Injure
from tests.faults.power import power_cuts
from tests.faults.table import Row, table


def names(text: str) -> list[str]:
    """Return the faults that a comma-separated list names."""
    chosen = [name.strip() for name in text.split(",") if name.strip()]
    unknown = [name for name in chosen if name not in FAULTS]
    if unknown or not chosen:
        allowed = ", ".join(FAULTS)
        raise argparse.ArgumentTypeError(f"no fault is called {', '.join(unknown)!r}; allowed: {allowed}")
    return chosen


def main() -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--only", type=names, default=list(FAULTS), metavar="NAME,...", help=", ".join(FAULTS)
    )
    parser.add_argument("--seed", type=int, default=None, help="of all that is random; printed")
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--small", action="store_true", help="the size of the test suite: a minute or two")
    size.add_argument("--large", action="store_true", help="the default")
    parser.add_argument("--cuts", type=int, help="power cuts, instead of the number that belongs to the size")
    asked = parser.parse_args()
    seed = random.SystemRandom().randrange(1 << 30) if asked.seed is None else asked.seed
    sys.stdout.write(f"seed {seed}\n")
    rows = []
    for name in asked.only:
        began = time.monotonic()
        sys.stderr.write(f"{name} ...")
        sys.stderr.flush()
        fault = FAULTS[name]
        injure = fault.small if asked.small else fault.large
        if name == "power" and asked.cuts:
            injure = partial(power_cuts, asked.cuts)
        rows.append(_injure(name, injure, seed))
        sys.stderr.write(f" {rows[-1].verdict} after {time.monotonic() - began:.0f} s\n")
        sys.stderr.write("".join(f"    {word}\n" for word in rows[-1].words()[:10]))
    sys.stdout.write(table(rows) + "\n")
    return 1 if any(row.broken for row in rows) else 0


def _injure(name: str, injure: Injure, seed: int) -> Row:
    try:
        return injure(seed)
    except (RuntimeError, AssertionError, OSError) as error:
        # What did not come within its time is a broken promise too; the other faults still run.
        return Row(name, broken=[f"it went on as it should ({error})"])


if __name__ == "__main__":
    sys.exit(main())
