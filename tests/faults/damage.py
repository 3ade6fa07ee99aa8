"""A store whose file was damaged: flipped bytes, a lost end, pages of zeros.

A file format without check sums cannot tell a flipped digit from a measurement, so a command may also just work.
It may not crash, hang, report a damaged file as sound, or make worse what is there; and the backup brings
everything back.
"""

from __future__ import annotations

import random
import shutil
import signal
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

import apsw
from broker import wait_until

from tests.faults.ledger import Ledger, compare, enter
from tests.faults.load import Load
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.table import Row

PAGE: Final = 4096

Injury = Callable[[bytearray, random.Random], None]


def last_page(file: bytearray, rng: random.Random) -> None:
    """Write nonsense over the last page."""
    file[-PAGE:] = rng.randbytes(PAGE)


def some_bytes(file: bytearray, rng: random.Random) -> None:
    """Flip bits of some bytes anywhere."""
    for _ in range(20):
        file[rng.randrange(len(file))] ^= 1 << rng.randrange(8)


def a_page(file: bytearray, rng: random.Random) -> None:
    """Write nonsense over any page but the first."""
    start = PAGE * rng.randrange(1, len(file) // PAGE)
    file[start : start + PAGE] = rng.randbytes(PAGE)


def zeros(file: bytearray, rng: random.Random) -> None:
    """Write zeros over a few pages in a row."""
    start = PAGE * rng.randrange(1, len(file) // PAGE)
    file[start : start + 4 * PAGE] = bytes(len(file[start : start + 4 * PAGE]))


def cut_off(file: bytearray, rng: random.Random) -> None:
    """Lose the end of the file, in the middle of a page."""
    del file[rng.randrange(len(file) // 2, len(file)) :]


def first_page(file: bytearray, rng: random.Random) -> None:
    """Write nonsense over the beginning."""
    file[:512] = rng.randbytes(512)


INJURIES: Final[tuple[Injury, ...]] = (last_page, some_bytes, a_page, zeros, cut_off, first_page)


def damage(times: int, seed: int, *, run: bool = True) -> Row:
    """Damage a store ``times`` times, in turn in each way, and restore it."""
    row = Row("damaged file", means="time to restore and check a backup")
    rng = random.Random(seed)
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(20)) as (broker, place),
    ):
        place.start()
        load = place.ends(Load(broker.port, site_names(20), 0.0, seed))
        load.start()
        load.pause()
        load.send(4000)
        ledger = load.finish()
        place.drain(ledger.sent)
        place.stop()
        backup = Path(name) / "backup.db"
        row.require(place.command("backup", str(backup)).returncode == 0, "a sound store is backed up")
        whole = place.store_file.read_bytes()
        told = 0
        for number in range(times):
            row.times += 1
            injury = INJURIES[number % len(INJURIES)]
            file = bytearray(whole)
            injury(file, rng)
            _put(place, bytes(file))
            told += _use(row, place, Path(name) / f"copy-{number}.db", ledger, run=run)
            _restore(row, place, backup, ledger, injury.__name__)
        row.notes.append(f"{told} of {times} injuries were told; the others are not to be seen in the file")
    return row


def _put(place: Place, content: bytes) -> None:
    for end in ("-wal", "-shm"):
        place.store_file.with_name(place.store_file.name + end).unlink(missing_ok=True)
    place.store_file.write_bytes(content)


def _sound(file: Path) -> bool:
    connection = apsw.Connection(str(file), flags=apsw.SQLITE_OPEN_READWRITE)
    try:
        return [str(row[0]) for row in connection.execute("PRAGMA integrity_check")] == ["ok"]
    except apsw.Error:
        return False
    finally:
        connection.close(force=True)


def _use(row: Row, place: Place, copy: Path, ledger: Ledger, *, run: bool) -> bool:
    """Run commands and the service on the damaged file; return whether one of them told of it."""
    sound, log = _sound(place.store_file), len(place.log)
    done = [place.command("rejected"), place.command("backup", str(copy))]
    for one in done:
        row.require("Traceback" not in one.stderr, f"a message, no traceback: {' '.join(one.args[3:4])}")
        row.require(one.returncode in {0, 2}, "it ends with 0 or 2")
        named = one.returncode == 0 or "cushionwatch.db" in one.stderr
        row.require(named, f"the message names the file: {one.stderr.strip()}")
    row.require(not copy.exists() or _sound(copy), "no damaged copy is called a backup")
    told = any(one.returncode for one in done)
    if run:
        told = _run(row, place) or told
    if not sound and not told:
        # Indexes can be built anew, so a copy may be whole where its store is not.
        row.require(
            copy.exists() and not compare(ledger, copy).lost, "damage that is found is told, or undone"
        )
    row.require("Traceback" not in place.log[log:], "the service says it in words")
    return told


def _run(row: Row, place: Place) -> bool:
    """Let the service run on it for a moment; return whether it told of damage."""
    log = len(place.log)
    try:
        place.start(until="watching")
        with_words = False
    except RuntimeError:
        with_words = True  # it refused to start
    if not with_words and place.process is not None:
        wait_until(
            lambda: place.ended or "subscribed" in place.log[log:] or "damaged" in place.log[log:],
            timeout=30,
            what="a word of the service",
        )
        if not place.ended:
            place.process.send_signal(signal.SIGTERM)
        code = place.process.wait(30)
        row.require(code in {0, 1, 2}, "the service ends when it is told to")
    said = place.log[log:]
    row.require(not with_words or "cushionwatch.db" in said, f"the message names the file: {said.strip()}")
    return with_words or "damaged" in said


def _restore(row: Row, place: Place, backup: Path, ledger: Ledger, how: str) -> None:
    began = time.monotonic()
    done = place.command("restore", str(backup))
    row.took(time.monotonic() - began)
    row.require(done.returncode == 0, f"the backup is put back after {how} ({done.stderr.strip()})")
    row.require(_sound(backup), "the backup stays as it is")
    one = Row("")
    enter(one, ledger, compare(ledger, place.store_file))
    row.sent, row.stored, row.rejected = one.sent, one.stored, one.rejected
    row.lost = max(row.lost or 0, one.lost or 0)
    row.twice = max(row.twice or 0, one.twice or 0)
    for promise in one.broken:
        row.require(kept=False, promise=f"after restoring: {promise}")
    for old in place.store_file.parent.glob("*.db.*"):
        if old.is_dir():
            shutil.rmtree(old)
        else:
            old.unlink()
