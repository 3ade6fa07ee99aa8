"""The real command with one wound: ``python -m tests.faults.wounded WOUND run --config FILE``.

``fail-sync:N``
    The N-th sync of a write-ahead log fails, as with EIO of the disk; `WOUND` is written to stderr then.
``die-at-mark:N``
    The process is killed when it is about to note that the N-th alert was sent.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import Any, Final

import apsw

from monitor.cli.main import main
from monitor.store.sqlite import SqliteStore
from tests.faults.disk import BASE, failure

WOUND: Final = "a sync has failed"


def fail_sync(number: int) -> None:
    """Let a sync of a log fail."""
    count = 0

    class File(apsw.VFSFile):
        def __init__(self, name: Any, flags: list[int]) -> None:
            self.counted = bool(flags[0] & apsw.SQLITE_OPEN_WAL)
            super().__init__(BASE, name, flags)

        def xSync(self, flags: int) -> None:  # noqa: N802 - SQLite's name
            nonlocal count
            count += self.counted
            if self.counted and count == number:
                os.write(2, f"{WOUND}\n".encode())
                raise failure(apsw.SQLITE_IOERR_FSYNC, "input/output error")
            super().xSync(flags)

    class Vfs(apsw.VFS):
        def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802 - SQLite's name
            return File(name, flags)

    keep.append(Vfs("wounded", base=BASE, makedefault=True))


def die_at_mark(number: int) -> None:
    """Kill this process between the sending of an alert and the note of it."""
    note, left = SqliteStore.delivered, number

    def delivered(store: SqliteStore, delivery: int, when: float) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        note(store, delivery, when)

    setattr(SqliteStore, "delivered", delivered)  # noqa: B010 - a wound, not a method


keep: list[apsw.VFS] = []
"""SQLite does not keep what it is given."""

WOUNDS: Final = {"fail-sync": fail_sync, "die-at-mark": die_at_mark}

if __name__ == "__main__":
    name, _, at = sys.argv.pop(1).partition(":")
    WOUNDS[name](int(at))
    main()
