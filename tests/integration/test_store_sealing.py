"""Sealed hours in a real file: migration, kills in the middle, the same findings, long views, retention."""

from __future__ import annotations

import math
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import apsw
import numpy as np
import pytest

from monitor.errors import StoreError
from monitor.ingest.logfile import read_log
from monitor.readings import Point, Reading
from monitor.service.rebuild import Rebuild
from monitor.service.settings import load_site
from monitor.store import sealed
from monitor.store.ballast import Ballast
from monitor.store.retention import Keep
from monitor.store.schema import APPLICATION_ID, VERSION_1
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep
from simulator.catalogue import PLANTS
from simulator.files import write_all
from simulator.recording import simulate

T0 = 1_767_225_600.0
"""2026-01-01T00:00:00Z, a whole hour."""
HOUR, DAY = 3600.0, 86400.0
ROOT = Path(__file__).parents[2]
KILLS = int(os.environ.get("STORE_KILLS", "10"))


class Clock:
    def __init__(self, now: float = 4e9) -> None:
        self.time = now

    def now(self) -> float:
        return self.time


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    yield opened
    assert opened.integrity() == []
    opened.close()


def upkeep(store: SqliteStore, keep: Keep | None = None, now: float = 4e9) -> Upkeep:
    return Upkeep(store.database, Clock(now), keep or Keep(), Ballast(store.path.with_suffix(".ballast"), 0))


def pressures(count: int, step: float = 60.0, start: float = T0) -> list[Reading]:
    rng = random.Random(count)
    return [
        Reading("mill-3", Point.PRESSURE, start + number * step, round(400 + rng.gauss(0, 5), 1))
        for number in range(count)
    ]


def rows(store: SqliteStore, table: str) -> int:
    with store.database.read() as db:
        return int(str(db.execute(f"SELECT count(*) FROM {table}").get))  # noqa: S608


def stored(store: SqliteStore) -> list[tuple[float, float]]:
    times, values = store.readings("mill-3", Point.PRESSURE, 0, math.inf)
    return list(zip(times.tolist(), values.tolist(), strict=True))


def pairs(readings: list[Reading]) -> list[tuple[float, float]]:
    return [(reading.time, reading.value) for reading in readings]


def test_hours_that_are_over_are_sealed_and_the_last_ones_stay_open(store: SqliteStore) -> None:
    readings = pressures(6 * 60 + 30)
    store.commit(readings, [])
    upkeep(store).tidy()
    assert rows(store, "sealed") == 4  # hours 0 to 3; 4 and 5 may still get late readings, 6 runs
    assert rows(store, "reading") == 2 * 60 + 30
    assert stored(store) == pairs(readings)
    assert store.span("mill-3") == (T0, readings[-1].time)


def test_a_late_reading_of_a_sealed_hour_is_stored_once_and_sealed_with_it(store: SqliteStore) -> None:
    readings = pressures(6 * 60)
    late = Reading("mill-3", Point.PRESSURE, T0 + 90.000001, 500.0)
    store.commit(readings, [])
    upkeep(store).tidy()
    assert len(store.commit([late, *readings[:200]], []).new) == 1
    assert len(store.commit([late], []).new) == 0
    expected = sorted(pairs([late, *readings]))
    assert stored(store) == expected
    upkeep(store).tidy()
    assert len(store.commit([late, Reading("mill-3", Point.PRESSURE, late.time, 1.0)], []).new) == 0
    assert stored(store) == expected
    assert rows(store, "reading") == 3 * 60
    with store.database.read() as db:
        assert db.execute("SELECT most, most_us, count FROM hourly").fetchone() == (
            500.0,
            round(late.time * 1e6),
            61,
        )


def test_a_file_of_version_1_is_taken_over_with_all_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    readings = pressures(600)
    old = apsw.Connection(str(path))
    old.pragma("auto_vacuum", 2)
    old.pragma("journal_mode", "wal")
    old.execute(VERSION_1)
    old.execute("INSERT INTO series VALUES (7, 'mill-3', 'pressure')")
    old.executemany("INSERT INTO reading VALUES (7, ?, ?)", [(round(t * 1e6), v) for t, v in pairs(readings)])
    old.pragma("application_id", APPLICATION_ID)
    old.pragma("user_version", 1)
    old.close()
    store = SqliteStore(path)
    assert stored(store) == pairs(readings)
    assert Path(f"{path}.v1.backup").is_file()
    upkeep(store).tidy()
    assert rows(store, "sealed") == 7
    assert stored(store) == pairs(readings)
    assert len(store.commit(readings, []).new) == 0
    assert store.integrity() == []
    store.close()


def test_a_damaged_hour_is_named_with_the_way_out(store: SqliteStore) -> None:
    store.commit(pressures(300), [])
    upkeep(store).tidy()
    with store.database.write() as db:
        db.execute("UPDATE sealed SET body = substr(body, 1, 40)")
    with pytest.raises(StoreError, match=r"damaged.*restore the last backup"):
        stored(store)
    assert any("damaged" in fault for fault in store.integrity())
    with store.database.write() as db:
        db.execute("DELETE FROM sealed")


CHILD = """
import pathlib, sys, threading, time
from monitor.readings import Point, Reading
from monitor.store.ballast import Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep
class Clock:
    def now(self):
        return 4e9
store = SqliteStore(pathlib.Path(sys.argv[1]))
upkeep = Upkeep(store.database, Clock(), Keep(), Ballast(pathlib.Path(sys.argv[1] + ".ballast"), 0))
def seal():
    while True:
        upkeep.tidy(hurry=True)
threading.Thread(target=seal, daemon=True).start()
number = int(sys.argv[2])
while True:
    # Half an hour a batch; the one before comes again, and one that is long sealed.
    batch = [*range(number * 30, number * 30 + 30), *range((number - 1) * 30, number * 30), *range(10)]
    store.commit([Reading("mill-3", Point.PRESSURE, t * 60.0, t + 0.5) for t in batch if t >= 0], [])
    print("acked", number, flush=True)
    number += 1
"""


def test_a_kill_in_the_middle_of_sealing_loses_nothing_and_doubles_nothing(tmp_path: Path) -> None:
    rng = random.Random(seed := random.randrange(1 << 32))  # from the seed that the run prints at its top
    path = tmp_path / "store.db"
    acked = -1
    for _ in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), str(acked + 1)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        assert child.stdout is not None
        lines = [child.stdout.readline()]
        time.sleep(rng.uniform(0.0, 0.12))
        child.send_signal(signal.SIGKILL)
        lines += child.stdout.readlines()
        child.stdout.close()
        assert child.wait(10) == -signal.SIGKILL
        acked = int([line for line in lines if line.endswith("\n")][-1].split()[1])
        store = SqliteStore(path)
        times, values = store.readings("mill-3", Point.PRESSURE, 0, 1e12)
        assert store.integrity() == []
        assert len(times) in {(acked + 1) * 30, (acked + 2) * 30}, f"seed {seed}"
        assert times.tolist() == [60.0 * step for step in range(len(times))]
        assert (values == np.arange(len(times)) + 0.5).all()
        hours = rows(store, "sealed")
        store.close()
    assert hours > 0


def test_commits_go_on_while_hours_are_sealed(tmp_path: Path) -> None:
    """A bound that a commit behind a whole backlog (700 ms and more here) would break, one behind a step not."""
    store = SqliteStore(tmp_path / "store.db")
    store.commit(pressures(20_000, step=15.0), [])
    kept = Upkeep(store.database, Clock(), Keep(), Ballast(tmp_path / "ballast", 0), period=0.0)
    kept.start()
    took = []
    number = 0
    while rows(store, "sealed") < 80:
        started = time.perf_counter()
        store.commit(pressures(20, start=T0 + 10 * DAY + number * 1200.0), [])
        took.append(time.perf_counter() - started)
        number += 1
    assert kept.stop()
    assert sorted(took)[len(took) // 2] < 0.1
    assert len(stored(store)) == 20_000 + 20 * number
    store.close()


def test_a_long_view_shows_real_readings_with_every_peak_at_both_ends_too(store: SqliteStore) -> None:
    readings = pressures(40 * 24 * 60)
    readings[30_001] = Reading("mill-3", Point.PRESSURE, readings[30_001].time, 900.0)
    readings[55] = Reading("mill-3", Point.PRESSURE, readings[55].time, 100.0)
    store.commit(readings, [])
    upkeep(store).tidy(hurry=True)
    late = Reading("mill-3", Point.PRESSURE, T0 + 20 * DAY + 1, 950.0)
    store.commit([late], [])
    start, end = T0 + 54 * 60, readings[-1].time - 100.0
    known = {pair for pair in pairs([*readings, late]) if start <= pair[0] < end}
    for limit in (40, 300, 2000, 20_000):
        times, values = store.readings_decimated("mill-3", Point.PRESSURE, start, end, limit)
        found = list(zip(times.tolist(), values.tolist(), strict=True))
        assert set(found) <= known
        assert limit / 4 < len(found) <= limit
        assert times.tolist() == sorted(set(times.tolist()))
        assert (late.time, 950.0) in found
        assert (readings[30_001].time, 900.0) in found or limit == 40
        assert (readings[55].time, 100.0) in found
    few = store.readings_decimated("mill-3", Point.PRESSURE, start, end, 100_000)
    assert len(few[0]) == len(known)


def test_readings_are_dropped_after_their_time_and_long_views_stay(store: SqliteStore) -> None:
    readings = pressures(30 * 24 * 60)
    readings[60] = Reading("mill-3", Point.PRESSURE, readings[60].time, 900.0)
    store.commit(readings, [])
    keep = Keep(readings=10 * DAY, minutes=20 * DAY)
    upkeep(store, keep).tidy(hurry=True)
    end = readings[-1].time
    first_kept = (end - 10 * DAY) // HOUR * HOUR
    assert stored(store) == [pair for pair in pairs(readings) if pair[0] >= first_kept]
    assert rows(store, "hourly") == 30 * 24 - 3  # the open hours have none yet
    assert rows(store, "minutely") == 20 * 24 + 1 - 3
    times, values = store.readings_decimated("mill-3", Point.PRESSURE, 0, math.inf, 100)
    assert (times[0] - T0 < 10 * HOUR, values.max()) == (True, 900.0)
    fine, _ = store.readings_decimated("mill-3", Point.PRESSURE, end - 12 * DAY, end - 11 * DAY, 100_000)
    assert len(fine) > 1400  # one reading a minute: each is the extreme of its minute
    again = readings[0]
    assert (
        len(store.commit([again], []).new) == 1
    )  # nothing is refused for its age; it goes with the next round
    assert stored(store)[0] == (again.time, again.value)
    upkeep(store, keep).tidy(hurry=True)
    assert stored(store)[0][0] == first_kept
    with store.database.read() as db:
        assert db.execute("SELECT count FROM hourly ORDER BY id LIMIT 1").get == 60
        assert int(db.pragma("freelist_count")) <= 256


@pytest.mark.parametrize(("now", "newest"), [(T0 + 400 * DAY, 2), (T0 + 2 * DAY, 400)])
def test_neither_a_wrong_clock_nor_a_reading_from_the_future_drops_what_is_young(
    store: SqliteStore, now: float, newest: int
) -> None:
    store.commit(pressures(2 * 24 * 60), [])
    store.commit([Reading("shed", Point.PRESSURE, T0 + newest * DAY - 1, 1.0)], [])
    upkeep(store, Keep(readings=5 * DAY), now).tidy(hurry=True)
    assert len(stored(store)) == 2 * 24 * 60


def test_what_is_dropped_gives_its_room_back(store: SqliteStore) -> None:
    store.commit(pressures(120_000, step=5.0), [])
    store.database.shorten_log()
    before = store.path.stat().st_size
    upkeep(store).tidy(hurry=True)
    store.database.shorten_log()
    assert store.path.stat().st_size < before / 2
    assert len(stored(store)) == 120_000


def test_a_mark_never_moves_back(store: SqliteStore) -> None:
    with store.database.write() as db:
        sealed.advance(db, "raw_from", 5)
        sealed.advance(db, "raw_from", 3)
        assert sealed.mark(db, "raw_from") == 5


def test_a_replay_finds_the_same_before_and_after_sealing(store: SqliteStore, tmp_path: Path) -> None:
    spec = replace(PLANTS["waterlogged"](), unit="kPa")
    write_all(simulate(spec, 6, 1, T0), tmp_path / "logs", "csv")
    site = load_site(next((tmp_path / "logs").glob("*.toml")))
    log = read_log(next((tmp_path / "logs").glob("*.csv")), "kPa").samples
    for point, column in ((Point.PRESSURE, log.pressure), (Point.HEATER, log.heater)):
        rows_of = zip(log.time.tolist(), column.tolist(), strict=True)
        store.commit([Reading(site.id, point, when, value) for when, value in rows_of], [])
    before = Rebuild(site, store)
    while not before.step():
        pass
    upkeep(store).tidy(hurry=True)
    assert rows(store, "sealed") > 250
    after = Rebuild(site, store)
    while not after.step():
        pass
    assert after.outcomes == before.outcomes != []
    assert repr(after.pipeline.report()) == repr(before.pipeline.report())
