"""What a saved state saves at a start: the time to know a site again, with it and from all its readings.

    python -m tests.bench.restart --days 60

Both are measured in one run on one store; what is known afterwards is compared. A plant of the evaluation
with a torn diaphragm, a reading of three points every 10 s, repeated with a shift in time to fill the days.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from time import perf_counter
from typing import Final

import numpy as np

from monitor.readings import Point, Reading
from monitor.service.pipeline import in_order
from monitor.service.ports import SavedState
from monitor.service.rebuild import Rebuild
from monitor.service.saved import freeze, program_of, thaw
from monitor.site import Site
from monitor.store.sqlite import SqliteStore
from tests.plants.cases import cases
from tests.plants.trace import DAY
from tests.plants.write import START, plant

SITE: Final = Site("house", tank_volume=8e-3)
MISSED: Final = 3600.0
"""Seconds of readings since the last saving: what a crash leaves at most."""


def readings(days: int) -> list[Reading]:
    """Return a plant's readings, its days one after the other until there are enough."""
    made = plant(cases()["torn_day5"], 1)
    own = float(np.ceil(made["time"][-1] / DAY)) * DAY
    rounds = int(np.ceil(days * DAY / own))
    time = np.concatenate([START + turn * own + made["time"] for turn in range(rounds)])
    part = time < START + days * DAY
    columns = {
        Point.PRESSURE: made["pressure"],
        Point.HEATER: made["heater"],
        Point.TEMPERATURE: made["temperature"],
    }
    series = {point: (time[part], np.tile(column, rounds)[part]) for point, column in columns.items()}
    return list(in_order(SITE.id, series))


def start(store: SqliteStore) -> tuple[float, Rebuild]:
    """Return the seconds that a start takes until the site is known, and what it built."""
    began = perf_counter()
    work = Rebuild(SITE, store)
    while not work.step():
        pass
    return perf_counter() - began, work


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description="With and without a saved state.")
    options.add_argument("--days", type=int, default=60)
    days = options.parse_args().days
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        all_of_them = readings(days)
        for first in range(0, len(all_of_them), 20_000):
            store.commit(all_of_them[first : first + 20_000], [])
        whole, replayed = start(store)
        began = perf_counter()
        body = freeze(replayed.pipeline)
        froze = perf_counter() - began
        began = perf_counter()
        thaw(body, SITE)
        thawed = perf_counter() - began
        at = START + days * DAY - MISSED
        partial = Rebuild(SITE, store)
        partial.pipeline.take(reading for reading in all_of_them if reading.time <= at)
        before = partial.pipeline
        store.save_state(SITE.id, SavedState(before.final, program_of(SITE), freeze(before)))
        quick, resumed = start(store)
        same = repr(resumed.pipeline.report()) == repr(replayed.pipeline.report())
        store.close()
    lines = (
        f"{days} days, {len(all_of_them)} readings",
        f"a start from all readings   {whole:8.2f} s",
        f"a start from a saved state  {quick:8.3f} s   ({whole / quick:.0f} times as fast)",
        f"the state                   {len(body):8d} bytes, {froze * 1e3:.1f} ms to write, {thawed * 1e3:.1f} to read",
        f"what is known is the same   {same}",
    )
    sys.stdout.write("\n".join(lines) + "\n")
    if not same:
        sys.exit(1)


if __name__ == "__main__":
    main()
