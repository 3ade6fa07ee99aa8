"""A disk that can lose power or refuse to sync, under the real SQLite: what was not synced may be gone.

The bytes go to real files, so that a process reads back what it wrote, as from the page cache. Beside them
stands, for each sector, what the disk may hold instead until the next sync. `Disk.cut` lets a write be the
last one; `Disk.settle` then puts into the files what survived. Without `settle` a new opening of the file is
what a process finds that was killed while the machine ran on.

A sync that fails leaves things as Linux does: the pages count as written, a second sync succeeds, and they are
on no disk.
"""

# ruff: noqa: N802 - the methods have SQLite's names

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import apsw

SECTOR: Final = 512
PAGE: Final = 4096
"""Bytes that the page cache writes as one."""

BASE: Final = "unix"
"""What really reads and writes."""

TORN: Final = 0.1
"""Share of the unsynced sectors whose bytes are of two writings."""


class Gone(bytes):
    """The content of a sector that a shortening of the file took away: none.

    A shortening reaches the disk as a whole or not at all, unlike what is written to many sectors.
    """

    def __new__(cls, shortening: int) -> Gone:
        """Make one of a numbered shortening."""
        one = super().__new__(cls)
        one.shortening = shortening
        return one

    shortening: int


class Unsynced:
    """What one file holds that the disk may not.

    ``choices``: for a sector, all contents that it may have after a cut, the one at the last sync first.
    ``stuck``: what the disk holds of sectors whose sync failed, whatever the file says.
    """

    def __init__(self) -> None:
        self.choices: dict[int, list[bytes]] = {}
        self.stuck: dict[int, bytes] = {}
        self._shortenings = 0

    def wrote(self, sector: int, before: bytes, after: bytes) -> None:
        """Note that a sector was written."""
        self._stir(sector)
        self.choices.setdefault(sector, [before]).append(after)

    def shortened(self, sectors: range, before: list[bytes]) -> None:
        """Note that these sectors are not of the file any more."""
        self._shortenings += 1
        for sector, old in zip(sectors, before, strict=True):
            self.wrote(sector, old, Gone(self._shortenings))

    def _stir(self, sector: int) -> None:
        """A page that is written again is dirty as a whole, so the next sync brings all of it."""
        per_page = PAGE // SECTOR
        first = sector // per_page * per_page
        for near in range(first, first + per_page):
            if near in self.stuck:
                self.choices.setdefault(near, [self.stuck.pop(near)])

    def synced(self) -> None:
        """Note that the disk holds everything."""
        self.choices.clear()

    def failed(self) -> None:
        """Note that a sync failed: nothing of it is on the disk, and no later sync brings it."""
        for sector, contents in self.choices.items():
            self.stuck[sector] = contents[0]
        self.choices.clear()

    def settle(self, path: Path, rng: random.Random) -> None:
        """Put into the file what a power cut leaves."""
        happened = [rng.random() < 0.5 for _ in range(self._shortenings + 1)]
        chosen = {
            sector: _survivor(_possible(contents, happened), rng) for sector, contents in self.choices.items()
        }
        self._shortenings = 0
        chosen |= self.stuck
        self.choices.clear()
        self.stuck.clear()
        if not chosen or not path.exists():
            return
        content = bytearray(path.read_bytes())
        size = len(content)
        for sector, kept in chosen.items():
            start = sector * SECTOR
            if len(content) < start + SECTOR:
                content.extend(bytes(start + SECTOR - len(content)))
            content[start : start + SECTOR] = kept.ljust(SECTOR, b"\0")
            if kept:
                size = max(size, start + len(kept))
        gone = [sector * SECTOR for sector, kept in chosen.items() if not kept]
        while gone and gone.count((size - 1) // SECTOR * SECTOR):
            size = (size - 1) // SECTOR * SECTOR  # the end of the file was not written either
        path.write_bytes(content[:size])


def _possible(contents: list[bytes], happened: list[bool]) -> list[bytes]:
    """Return what a sector may hold, when it is known which shortenings reached the disk."""
    found: list[bytes] = []
    for one in contents:
        if not isinstance(one, Gone):
            found.append(one)
        elif happened[one.shortening]:
            found = [one]
    return found


def _survivor(contents: list[bytes], rng: random.Random) -> bytes:
    kept = rng.choice(contents)
    if rng.random() < TORN:
        other, at = rng.choice(contents), rng.randrange(SECTOR)
        if len(other) == len(kept):
            return kept[:at] + other[at:]
    return kept


class Disk:
    """The state of the disk; one for all connections of a test, also across simulated restarts."""

    def __init__(self) -> None:
        self.files: dict[str, Unsynced] = {}
        self.steps = 0
        self.syncs = 0
        self.dead = False
        self._last_step: int | None = None
        self._bad_sync: int | None = None

    def cut(self, after: int) -> None:
        """Lose power ``after`` changes of a file from now: that one may still reach the disk in part."""
        self._last_step = self.steps + after

    def fail_sync(self, after: int) -> None:
        """Let one sync fail, ``after`` syncs from now."""
        self._bad_sync = self.syncs + after

    def settle(self, rng: random.Random) -> None:
        """Come up again after a cut: put into the files what survived. No connection may be open."""
        for name, unsynced in self.files.items():
            unsynced.settle(Path(name), rng)
            if name.endswith("-wal"):
                Path(name.removesuffix("wal") + "shm").unlink(missing_ok=True)  # memory, not disk
        self.revive()

    def revive(self) -> None:
        """Go on with what the files hold, as after the kill of a process: its writes are in the page cache."""
        self.dead = False
        self._last_step = None

    def check(self) -> None:
        """Raise as a disk does that is gone."""
        if self.dead:
            raise failure(apsw.SQLITE_IOERR, "the power is out")

    def step(self) -> bool:
        """Count a change; return True if it is the last one."""
        self.check()
        self.steps += 1
        return self._last_step is not None and self.steps >= self._last_step

    def sync(self, unsynced: Unsynced) -> None:
        """Take a sync of a file."""
        self.syncs += 1
        if self._bad_sync is not None and self.syncs >= self._bad_sync:
            self._bad_sync = None
            unsynced.failed()
            raise failure(apsw.SQLITE_IOERR_FSYNC, "the disk did not sync")
        unsynced.synced()


def failure(code: int, text: str) -> apsw.IOError:
    """Return the error that makes SQLite see an extended result code."""
    error = apsw.IOError(text)
    error.extendedresult = code  # type: ignore[attr-defined]  # SQLite is told this code
    return error


class _File(apsw.VFSFile):
    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        self._disk = disk
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._unsynced = disk.files.setdefault(str(path), Unsynced()) if path else Unsynced()
        super().__init__(BASE, name, flags)

    def xRead(self, amount: int, offset: int) -> bytes:
        self._disk.check()
        return super().xRead(amount, offset)

    def _sector(self, sector: int) -> bytes:
        """Return what the file has of a sector; a read beyond its end would lose the zeros before it too."""
        start = sector * SECTOR
        there = min(self.xFileSize() - start, SECTOR)
        return super().xRead(there, start) if there > 0 else b""

    def xWrite(self, data: Any, offset: int) -> None:
        last = self._disk.step()
        sectors = range(offset // SECTOR, (offset + len(data) - 1) // SECTOR + 1)
        before = [self._sector(sector) for sector in sectors]
        super().xWrite(data, offset)
        for sector, old in zip(sectors, before, strict=True):
            self._unsynced.wrote(sector, old, self._sector(sector))
        if last:
            self._disk.dead = True
            self._disk.check()

    def xTruncate(self, size: int) -> None:
        last = self._disk.step()
        sectors = range(-(-size // SECTOR), -(-self.xFileSize() // SECTOR))  # SQLite cuts between sectors
        before = [self._sector(sector) for sector in sectors]
        super().xTruncate(size)
        self._unsynced.shortened(sectors, before)
        if last:
            self._disk.dead = True
            self._disk.check()

    def xSync(self, flags: int) -> None:
        if self._disk.step():
            self._disk.dead = True
            self._disk.check()
        self._disk.sync(self._unsynced)  # the real sync is left out: this machine keeps its power


class _Vfs(apsw.VFS):
    def __init__(self, disk: Disk, name: str) -> None:
        self._disk = disk
        super().__init__(name, base=BASE, makedefault=True)

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:
        self._disk.check()
        return _File(self._disk, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        self._disk.check()
        super().xDelete(filename, syncdir)
        self._disk.files.pop(str(filename), None)


@contextmanager
def default_disk(disk: Disk) -> Iterator[Disk]:
    """Let every SQLite file that this process opens lie on ``disk`` for the length of a ``with`` block."""
    vfs = _Vfs(disk, f"disk-{id(disk)}")
    try:
        yield disk
    finally:
        vfs.unregister()
