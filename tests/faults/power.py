"""Power cuts at any moment, under the real store: what it confirmed is there once, what it did not is whole or not.

A life opens the store, commits batches, raises events, shortens the log and seals hours until the power goes
(or, sometimes, the process alone is killed and the page cache stays). The next life first repeats what was not
confirmed, as a broker does.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.errors import StoreError
from monitor.readings import Point, Reading, Rejected
from monitor.service.ports import Alert
from monitor.store.ballast import Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep
from tests.faults.disk import Disk, default_disk
from tests.faults.table import Row

BATCH: Final = 20
T0: Final = 1_767_225_600.0
EVERY: Final = 60.0
"""Seconds between two readings: a few batches make an hour that can be sealed."""
FRESH: Final = 40
"""Lives of one file; then a new one, so that the making of the file is cut too."""
KILLED: Final = 0.25
"""Share of the lives that a kill ends, not a power cut."""


class Later:
    """A clock long after the readings."""

    def now(self) -> float:
        """Return epoch seconds."""
        return T0 + 1e9


@dataclass
class Told:
    """What the store confirmed: batches and events up to a number, each in order; and what was under way."""

    batches: int = 0
    events: int = 0
    under_way: list[str] = field(default_factory=list)


def readings(batch: int) -> list[Reading]:
    """Return the readings of a batch."""
    first = batch * BATCH
    return [
        Reading("mill-3", Point.PRESSURE, T0 + EVERY * (first + step), first + step + 0.5)
        for step in range(BATCH)
    ]


def refusals(batch: int) -> list[Rejected]:
    """Return what is refused with a batch: nothing with most, whose repeat then writes nothing at all."""
    payload = b"%d" % batch
    return [] if batch % 4 else [Rejected(T0, "cushionwatch/mill-3/pressure", "no number", payload)]


def live(store: SqliteStore, told: Told, rng: random.Random) -> None:
    """Work until the store can no more; only a `StoreError` ends it."""
    upkeep = Upkeep(store.database, Later(), Keep(), Ballast(store.path.with_suffix(".ballast"), 0))
    while True:
        # The batch before comes again now and then, as after a lost acknowledgement.
        again = readings(told.batches - 1) if told.batches and rng.random() < 0.2 else []
        store.commit([*again, *readings(told.batches)], refusals(told.batches))
        told.batches += 1
        if rng.random() < 0.3:
            number = told.events
            finding = Finding(Fault.BLIND, T0, T0 + number, Severity.LOW, 0.5, "", "", "")
            alert = Alert(f"key-{number}", "mill-3", "title", "body", "low", T0)
            # Each at a site of its own: an event that comes again and again is not told each time.
            store.raise_event(f"mill-{number}", finding, {"mail": alert})
            told.events += 1
        if rng.random() < 0.05:
            store.database.shorten_log()
        if rng.random() < 0.05:
            upkeep.tidy(hurry=True)


def look(folder: Path, told: Told, row: Row, where: str) -> tuple[int, int]:
    """Check a copy of the store against what it confirmed; return how many (readings, payloads) it holds."""
    with tempfile.TemporaryDirectory() as other:
        copy = Path(other) / "copy"
        shutil.copytree(folder, copy)
        try:
            store = SqliteStore(copy / "store.db")
        except StoreError as error:
            row.require(told.batches == 0, f"the file opens ({where}: {error})")
            return 0, 0
        try:
            faults = store.integrity()
            row.require(faults == [], f"the file is sound ({where}: {faults})")
            times, values = store.readings("mill-3", Point.PRESSURE, 0.0, 1e12)
            refused = {one.payload for one in store.rejected(1_000_000)}
            raised = [event.finding.raised for event in reversed(store.events(limit=1_000_000))]
            owed = [one.alert.key for one in store.due_deliveries(1e12, 1_000_000)]
        except StoreError as error:
            row.require(kept=False, promise=f"the file can be read ({where}: {error})")
            return 0, 0
        finally:
            store.close()
    confirmed = told.batches * BATCH
    row.require(len(times) in {confirmed, confirmed + BATCH}, f"whole batches, none missing ({where})")
    row.require(times.tolist() == [T0 + EVERY * n for n in range(len(times))], f"each reading once ({where})")
    row.require((values == (times - T0) / EVERY + 0.5).all(), f"values as they were sent ({where})")
    row.lost = (row.lost or 0) + max(confirmed - len(set(times.tolist())), 0)
    row.twice = (row.twice or 0) + len(times) - len(set(times.tolist()))
    row.require(
        refused >= {one.payload for n in range(told.batches) for one in refusals(n)},
        f"confirmed refusals are listed ({where})",
    )
    row.require(len(raised) in {told.events, told.events + 1}, f"confirmed events are there ({where})")
    row.require(raised == [T0 + n for n in range(len(raised))], f"each event once ({where})")
    # At most this one alert was owed twice or not at all, if not each event has exactly its own.
    row.require(owed == [f"key-{n}" for n in range(len(raised))], f"each event owes its alert ({where})")
    row.missing = (row.missing or 0) + max(told.events - len(owed), 0)
    return len(times), len(refused)


def power_cuts(cuts: int, seed: int) -> Row:
    """Cut the power ``cuts`` times."""
    row = Row("power cut (simulated)", lost=0, twice=0, missing=0, sent=0, stored=0, rejected=0, owed=0)
    rng = random.Random(seed)
    kills = 0
    while row.times < cuts:
        with tempfile.TemporaryDirectory() as folder:
            disk, told = Disk(), Told()
            for _ in range(FRESH):
                if row.times == cuts:
                    break
                killed = rng.random() < KILLED
                die(Path(folder), disk, told, rng, row, killed=killed)
                if killed:
                    kills += 1
                else:
                    row.times += 1
                    look(Path(folder), told, row, f"cut {row.times} of seed {seed}")
            held = look(Path(folder), told, row, f"after cut {row.times} of seed {seed}")
            refused = -(-told.batches // 4)
            row.sent = (row.sent or 0) + told.batches * BATCH + refused
            row.stored = (row.stored or 0) + min(held[0], told.batches * BATCH)
            row.rejected = (row.rejected or 0) + min(held[1], refused)
            row.owed = (row.owed or 0) + told.events
    row.notes.append(f"{kills} lives more were ended by a kill that left the page cache")
    return row


def die(folder: Path, disk: Disk, told: Told, rng: random.Random, row: Row, *, killed: bool) -> None:
    """Live one life, from the opening of the store to a cut or a kill at a random change of a file."""
    with default_disk(disk):
        disk.cut(after=rng.choice((rng.randint(1, 12), rng.randint(1, 90), rng.randint(1, 400))))
        store = None
        try:
            store = SqliteStore(folder / "store.db")
            live(store, told, rng)
        except StoreError as error:
            if not disk.dead:
                row.require(kept=False, promise=f"the store opens again and works ({error})")
                for copy in folder.glob("*.backup"):
                    copy.unlink()  # what the message asks a person to do
        finally:
            with suppress(StoreError):
                if store is not None:
                    store.close()
        if killed:
            disk.revive()
        else:
            disk.settle(rng)
