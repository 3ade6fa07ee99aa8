"""A disk that is full: what is old still goes, and the service stores again. On a small disk of its own."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from broker import wait_until

from monitor.errors import StoreError
from monitor.readings import Point, Reading
from monitor.store.ballast import MB, Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

DAY = 86400.0
T0 = 1_767_225_600.0
SIZE_MB = 10


class Clock:
    def now(self) -> float:
        return 4e9


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """Give a folder that is a disk of 10 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(folder)]
    try:
        done = subprocess.run(mount, check=False, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("there is no mount command here")
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here (needs root): {done.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(store: SqliteStore) -> int:
    """Store readings, one every 2 s, until the disk is full; return how many it took."""
    number = 0
    while True:
        batch = [Reading("mill-3", Point.PRESSURE, T0 + 2.0 * (number + step), 400.0) for step in range(2000)]
        try:
            number += len(store.commit(batch, []).new)
        except StoreError as error:
            assert "the disk is full" in str(error)  # noqa: PT017  the loop has no other end
            return number


def upkeep(store: SqliteStore, ballast_mb: int) -> Upkeep:
    ballast = Ballast(store.path.with_suffix(".ballast"), ballast_mb * MB)
    ballast.take()
    return Upkeep(store.database, Clock(), Keep(readings=DAY), ballast)


def test_with_the_ballast_old_readings_go_and_new_ones_are_stored_again(disk: Path) -> None:
    store = SqliteStore(disk / "store.db")
    kept = upkeep(store, 2)
    ballast = disk / "store.ballast"
    assert ballast.stat().st_size == 2 * MB
    number = fill(store)
    newest = T0 + 2.0 * (number - 1)
    assert number > 2 * DAY / 2.0, "the disk holds two days, or there is nothing to drop"
    kept.start()
    wait_until(lambda: not store.database.full and ballast.is_file(), timeout=60, what="room")
    assert len(store.commit([Reading("mill-3", Point.PRESSURE, newest + 2.0, 1.0)], []).new) == 1
    assert kept.stop()
    span = store.span("mill-3")
    assert span is not None
    assert DAY <= span[1] - span[0] < DAY + 3600.0 + 2.0
    times, _ = store.readings("mill-3", Point.PRESSURE, span[0], newest + 1.0)
    assert len(times) == (newest - span[0]) / 2.0 + 1
    assert ballast.stat().st_size == 2 * MB
    assert store.integrity() == []
    store.close()


def test_without_it_nothing_can_be_dropped(disk: Path) -> None:
    """Why there is one: deleting needs room too."""
    store = SqliteStore(disk / "store.db")
    kept = upkeep(store, 0)
    fill(store)
    with pytest.raises(StoreError, match="the disk is full"):
        kept.tidy(hurry=True)
    store.close()


def test_a_ballast_is_not_taken_where_it_would_fill_the_disk_and_that_is_told(disk: Path) -> None:
    store = SqliteStore(disk / "store.db")
    kept = upkeep(store, 6)
    assert not (disk / "store.ballast").exists()
    (problem,) = kept.problems()
    assert "no room for the reserve of 6 MB" in problem
    store.close()
