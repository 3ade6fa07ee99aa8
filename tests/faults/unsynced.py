"""A disk that fails to sync, once: the store must trust the file no more, and a new start must lose nothing.

The failed pages count as written afterwards (as on Linux), so a store that tried again would confirm what is on
no disk. That shows only when the power goes later, so each time ends with a power cut.
"""

from __future__ import annotations

import random
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from monitor.errors import StoreBroken, StoreError
from monitor.store.sqlite import SqliteStore
from tests.faults.disk import Disk, default_disk
from tests.faults.power import Told, live, look, readings, refusals
from tests.faults.table import Row

MOST: Final = 60
"""Syncs within which one fails; a checkpoint has some of them."""


def failed_syncs(times: int, seed: int) -> Row:
    """Let a sync fail, ``times`` times, each on a new file."""
    row = Row("failed sync (store)", lost=0, twice=0, missing=0)
    rng = random.Random(seed)
    for number in range(times):
        row.times += 1
        with tempfile.TemporaryDirectory() as folder:
            disk, told = Disk(), Told()
            with default_disk(disk):
                _fail(Path(folder), disk, told, rng, row)
                _start_again(Path(folder), disk, told, rng, row)
            look(Path(folder), told, row, f"time {number + 1} of seed {seed}")
    return row


def _fail(folder: Path, disk: Disk, told: Told, rng: random.Random, row: Row) -> None:
    """Work until a sync fails; then nothing may be written any more, not even by closing."""
    store = SqliteStore(folder / "store.db")
    disk.fail_sync(after=rng.randint(1, MOST))
    disk.cut(
        after=20 * MOST
    )  # a sync that fails in a checkpoint is told to nobody, for the log is still there
    try:
        live(store, told, rng)
    except StoreBroken:
        steps = disk.steps
        for _ in range(2):
            try:
                store.commit(readings(told.batches), [])
            except StoreBroken:
                continue
            row.require(kept=False, promise="no second try on a file whose sync failed")
        store.close()
        row.require(disk.steps == steps, "nothing is written after a failed sync")
    except StoreError as error:
        row.require(disk.dead, f"a failed sync is told as such ({error})")
        with suppress(StoreError):
            store.close()
    disk.revive()


def _start_again(folder: Path, disk: Disk, told: Told, rng: random.Random, row: Row) -> None:
    """Take what was not confirmed once more, work on for a while, then lose power."""
    store = SqliteStore(folder / "store.db")
    store.commit(readings(told.batches), refusals(told.batches))
    if rng.random() < 0.5:
        disk.cut(after=rng.randint(1, 60))
        with suppress(StoreError):
            live(store, told, rng)
    else:
        told.batches += 1  # confirmed, and the last thing ever
        disk.dead = True
    with suppress(StoreError):
        store.close()
    disk.settle(rng)
