"""The lock by which one service alone works on a data folder.

Two services on one folder would each find the same faults and send every alert twice. The lock belongs to
an open file, so the kernel releases it when the process ends, however it ends; the file itself stays.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from monitor.errors import StoreError

LOCK: Final = "cushionwatch.lock"
"""Name of the lock's file in the data folder; holds the process id of the service that has it."""

TWICE: Final = (
    ", and two would send every alert twice; stop that one first, or name a folder of its own for this one: "
    "data in the service file"
)


@contextmanager
def alone_in(folder: Path, why: str = TWICE) -> Iterator[None]:
    """Hold a data folder for one service for the length of a ``with`` block.

    Commands that only add or read (``visit``, ``rejected``) do not ask for it. ``why``: what else would
    happen, and the way out, where the folder is taken.

    Raises
    ------
    StoreError
        If another service holds the folder, or no lock can be had there.
    """
    path = folder / LOCK
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreError(f"the lock file {path} cannot be opened: {error.strerror}") from error
    try:
        _take(handle, path, why)
        yield
    finally:
        os.close(handle)


def _take(handle: int, path: Path, why: str) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
    except BlockingIOError as error:
        holder = os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "not known"
        raise StoreError(
            f"the data folder {path.parent} is in use by another service (process {holder}){why}"
        ) from error
    except OSError as error:
        raise StoreError(
            f"the lock file {path} cannot be locked: {error.strerror}; put the data folder on a local disk "
            "with free space"
        ) from error
