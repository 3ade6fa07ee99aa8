"""What sealing saves: bytes a reading, and the time to bring a month of a site into arrays, before and after.

    python -m tests.bench.store_size --days 60

Both are measured in one run on one store: three points every 5 s, values of one decimal. The readings that
come back are compared bit by bit.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np

from monitor.readings import Point
from monitor.store.ballast import Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

T0 = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""

EVERY, MONTH = 5.0, 30.0 * 86400.0


class Later:
    """A clock long after the readings, so that every hour is over."""

    def now(self) -> float:
        """Return epoch seconds."""
        return T0 + 1e9


def fill(store: SqliteStore, days: int) -> int:
    """Write three points as plain rows; return how many."""
    rng = np.random.default_rng(1)
    time = T0 + np.arange(0.0, days * 86400.0, EVERY)
    count = len(time)
    values = {
        "pressure": np.round(400.0 + 30.0 * np.sin(time / 7000.0) + rng.normal(0.0, 0.4, count), 1),
        "heater": (np.arange(count) // 130 % 3 == 0).astype(float),
        "temperature": np.round(55.0 + 5.0 * np.sin(time / 9000.0) + rng.normal(0.0, 0.05, count), 1),
    }
    stamps = np.rint(time * 1e6).astype(int).tolist()
    with store.database.write() as db:
        for number, (point, column) in enumerate(values.items(), 1):
            db.execute("INSERT INTO series VALUES (?, 'site', ?)", (number, point))
            rows = zip([number] * count, stamps, column.tolist(), strict=True)
            db.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
    return 3 * count


def month(store: SqliteStore) -> tuple[float, bytes]:
    """Return seconds to read a month of one point (median of five), and its bytes."""
    took = []
    for _ in range(5):
        began = perf_counter()
        time, value = store.readings("site", Point.PRESSURE, T0, T0 + MONTH)
        took.append(perf_counter() - began)
    return median(took), time.tobytes() + value.tobytes()


def main() -> int:
    """Print the table; exit code 1 where a reading did not come back as it was."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--days", type=int, default=60)
    days = max(parser.parse_args().days, 31)
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        count = fill(store, days)
        store.database.shorten_log()
        plain, before = month(store)
        size = store.path.stat().st_size / count
        upkeep = Upkeep(store.database, Later(), Keep(), Ballast(Path(folder) / "ballast", 0))
        began = perf_counter()
        upkeep.tidy(hurry=True)
        sealing = perf_counter() - began
        store.database.shorten_log()
        sealed, after = month(store)
        small = store.path.stat().st_size / count
        store.close()
    sys.stdout.write(
        f"{count} readings of {days} days      plain   sealed    ratio\n"
        f"bytes a reading, whole file     {size:7.2f} {small:8.2f} {size / small:8.1f}\n"
        f"30 days of one point [s]        {plain:7.3f} {sealed:8.3f} {plain / sealed:8.1f}\n"
        f"sealing: {sealing / (days * 72) * 1e3:.1f} ms an hour of one point\n"
    )
    return 0 if before == after else 1


if __name__ == "__main__":
    sys.exit(main())
