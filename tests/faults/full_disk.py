"""A disk that another program fills while readings come in, and that is freed again."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from broker import wait_until

from tests.faults.load import Load
from tests.faults.network import finish
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.table import Row

SIZE_MB: Final = 24
LEFT: Final = 64 * 1024
"""Bytes that the other program leaves."""
TOLD: Final = "the disk is full"
ALARM: Final = 60.0
"""Seconds within which a full disk must be told."""


def full_disk(times: int, full: float, rate: float, seed: int, *, sites: int = 50) -> Row:
    """Fill the disk of the data folder ``times`` times, for ``full`` s after that was told; end the service in it.

    Needs root, to mount a small disk.
    """
    row = Row(f"disk full, {rate:g}/s", means="room made until readings are stored again")
    more = "[store]\nballast_mb = 2"
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(sites), more=more) as (broker, place),
    ):
        data = place.path / "var"
        data.mkdir()
        refusal = _mount(data)
        if refusal:
            row.skipped = refusal
            return row
        try:
            place.start()
            load = place.ends(Load(broker.port, site_names(sites), rate, seed))
            load.start()
            for number in range(times):
                row.times += 1
                _fill_and_free(row, place, data, full, restarted=number % 2 == 1)
            finish(row, load, place)
        finally:
            place.close()
            subprocess.run(["umount", str(data)], check=True)
    return row


def _fill_and_free(row: Row, place: Place, data: Path, full: float, *, restarted: bool) -> None:
    time.sleep(1.0)
    told = place.log.count(TOLD)
    filler = data / "filler"
    with _growing(filler):
        began = time.monotonic()
        while place.log.count(TOLD) == told:
            if time.monotonic() - began > ALARM:
                row.require(kept=False, promise=f"a full disk is told within {ALARM:g} s")
                break
            _fill(filler)  # also what the ballast has given back
            time.sleep(0.1)
        if restarted:
            row.require(place.stop() in {0, 1}, "told to end on a full disk it ends")
            place.start(until="watching")  # what it has to write before it takes messages waits for room
            row.notes.append("started again on the full disk")
        deadline = time.monotonic() + full
        while time.monotonic() < deadline:
            _fill(filler)
            row.require(not place.ended, "the service lives on")
            time.sleep(0.1)
        held = place.held()
    began = time.monotonic()
    wait_until(lambda: place.held() > held, timeout=60, what="a new reading in the store")
    row.took(time.monotonic() - began)


@contextmanager
def _growing(filler: Path) -> Iterator[None]:
    try:
        yield
    finally:
        filler.unlink(missing_ok=True)


def _fill(filler: Path) -> None:
    """Take all room but a little, as a log does that nobody looks after."""
    free = shutil.disk_usage(filler.parent).free - LEFT
    if free > 0:
        with filler.open("ab") as file, suppress(OSError):  # the service may have been quicker
            os.posix_fallocate(file.fileno(), file.tell(), free)


def _mount(folder: Path) -> str:
    """Mount a small disk; return in words why that is not possible here, empty if it was."""
    mount = ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(folder)]
    try:
        done = subprocess.run(mount, check=False, capture_output=True, text=True)
    except FileNotFoundError:
        return "there is no mount command here"
    return (
        f"a small disk cannot be mounted here (needs root): {done.stderr.strip()}" if done.returncode else ""
    )
