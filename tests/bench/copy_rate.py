"""Measures how fast the copy drains after an outage: points a second, on the real InfluxDB behind nginx.

    .venv/bin/python tests/bench/copy_rate.py [POINTS] [SITES]

Fills a store while the database is away, then starts the database and the copier. Run by hand.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "integration"))

from tsdb import running_influx

from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.store.influx.copier import Copier
from monitor.store.influx.ledger import Ledger
from monitor.store.influx.remote import Remote
from monitor.store.influx.store import CopiedStore

EPOCH = 1_767_225_600.0
TICKS = 10


def main(points: int, sites: int) -> None:
    """Print one line for the filling and one for the draining."""
    with (
        tempfile.TemporaryDirectory() as name,
        running_influx(Path(name) / "influx", started=False) as server,
    ):
        ledger = Ledger(Path(name) / "copy.db")
        store = CopiedStore(Path(name) / "store.db", ledger)
        began = time.perf_counter()
        for first in range(0, points // sites, TICKS):
            batch = [
                Reading(f"site-{site}", Point.PRESSURE, EPOCH + tick, 300.0 + random.random())
                for tick in range(first, first + TICKS)
                for site in range(sites)
            ]
            store.commit(batch, [])
        tell("stored and owed", points, time.perf_counter() - began)
        sys.stdout.write(
            f"{ledger.counts()[0]} rows owed, {(Path(name) / 'copy.db').stat().st_size / 1e6:.2f} MB" + "\n"
        )
        server.start()
        copier = Copier(ledger, store, Remote(server.target), list, SystemClock(), random.random)
        began, busy = time.perf_counter(), time.process_time()
        copier.round()
        tell("copied", points, time.perf_counter() - began)
        sys.stdout.write(
            f"{(time.process_time() - busy) / points * 1e6:.2f} µs of this process for each point" + "\n"
        )
        (row,) = server.rows("SELECT count(pressure_kpa) FROM cushionwatch_reading")
        sys.stdout.write(
            f"{row[1]} of {points} in the database, {ledger.counts()} owed, refused, gaps" + "\n"
        )
        store.close()
        ledger.close()


def tell(what: str, points: int, seconds: float) -> None:
    """Print a rate."""
    sys.stdout.write(f"{points} points {what} in {seconds:.1f} s: {points / seconds:.0f} a second" + "\n")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:3]]
    main(*given, *(1_000_000, 100)[len(given) :])
