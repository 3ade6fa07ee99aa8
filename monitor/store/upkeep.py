"""What keeps the store small and looks for damage, in a thread of its own: sealing, retention, a full disk.

All of it happens in transactions of a few milliseconds with pauses between them, so that a commit of readings
never waits for long. Nothing depends on a step being done now: what a killed process leaves is done later.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Final

import apsw

from monitor.errors import StoreError
from monitor.service.ports import Clock
from monitor.store import retention, sealed
from monitor.store.ballast import MB, Ballast
from monitor.store.database import Database
from monitor.store.retention import Keep

LOG = logging.getLogger("cushionwatch.upkeep")

PERIOD: Final = 30.0
"""Seconds between two rounds of a service."""
LOOK: Final = 1.0
"""Seconds between two looks whether the disk is full."""
REST: Final = 3.0
"""How many times as long as a step takes the next one waits: at most a quarter of the time is taken."""

CHECK: Final = 86400.0
"""Seconds between two looks for damage: as often as people back up, so that a sound backup is still there."""
OPCODES: Final = 10_000
"""Steps of SQLite between two looks whether a look for damage must give way: some milliseconds."""

LOGGED: Final = 16
"""Steps in a hurry after which the log is shortened: on a full disk it must stay small."""

Step = Callable[[apsw.Connection], bool]


class Upkeep:
    """Keeps a store small while the service runs.

    Parameters
    ----------
    database : Database
        The file.
    clock : Clock
        Bounds retention together with the data: a clock that is wrong drops nothing that is not old by the
        data, and a reading from the future nothing that is not old by the clock.
    keep : Keep
        For how long what is kept.
    ballast : Ballast
        Room to give back on a full disk.
    period : float
        Seconds between two rounds.
    """

    def __init__(
        self, database: Database, clock: Clock, keep: Keep, ballast: Ballast, *, period: float = PERIOD
    ) -> None:
        self._period = period
        self._database = database
        self._clock = clock
        self._keep = keep
        self._ballast = ballast
        self._problem = ""
        self._damage = ""
        self._unchecked = ""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="upkeep", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self, timeout: float = 8.0) -> bool:
        """Finish the step in hand; False if that took too long."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread.is_alive()

    def problems(self) -> list[str]:
        """Return in words what is damaged, and what keeps the store from being kept small."""
        found = [told for told in (self._damage, self._unchecked, self._problem) if told]
        # On a full disk whoever could not write says so.
        if not self._ballast.taken and not self._database.full and not self._stopping.is_set():
            found.append(
                f"the disk of {self._database.path.parent} is nearly full: there is no room for the reserve of "
                f"{self._ballast.size // MB} MB; make room, or keep readings for a shorter time"
            )
        return found

    def check(self) -> bool:
        """Look for damage, which nothing else tells: an answer from a damaged file lacks readings without a word.

        Reads all of the file on a connection of its own, so that nobody waits for it. False if it had to give
        way, to the end of the service or to a full disk, or could not read. What is damaged stays a problem.
        """
        try:
            found = self._damaged()
        except StoreError as error:
            self._unchecked = str(error)
            LOG.error("the store was not checked for damage: %s", error)  # noqa: TRY400 - the message says it all
            return False
        if found is None:
            return False
        self._unchecked = ""
        if found and not self._damage:
            self._damage = (
                f"the store {self._database.path} is damaged ({found}): what it answers may lack readings. Stop the "
                "service, keep a copy of the file, and restore the last backup with `cushionwatch restore`"
            )
            LOG.error("%s", self._damage)
        return True

    def tidy(self, *, hurry: bool = False) -> None:
        """Seal what is over, drop what is old, give back what is free. ``hurry``: without pauses.

        Raises `StoreError`, after which it may be called again.
        """
        with self._database.read() as db:
            newest = sealed.newest(db)
        cuts = self._keep.cuts(min(self._clock.now(), newest / 1e6))
        with self._database.read() as db:
            todo = sealed.due(db, cuts["sealed"])
        for series in todo:
            self._repeat(partial(sealed.seal_next, todo=series), hurry=hurry)
        with self._database.read() as db:
            old = retention.stale(db, cuts)
        for rows in old:
            self._repeat(partial(retention.drop, old=rows), hurry=hurry)
        self._repeat(retention.give_back, hurry=hurry)

    def relieve(self) -> None:
        """Make room on a full disk with the ballast: nobody else may use it up meanwhile."""
        LOG.warning("the disk of %s is full; making room", self._database.path.parent)
        with self._database.alone():
            self._ballast.release()
            try:
                self._database.shorten_log()
                self.tidy(hurry=True)
                self._database.shorten_log()
            finally:
                self._ballast.take()

    def _repeat(self, step: Step, *, hurry: bool) -> None:
        """Do a step again and again, each time in a transaction of its own, until it says that it is done."""
        more, steps = True, 0
        while more and not self._stopping.is_set():
            with self._database.alone():
                started = time.perf_counter()
                with self._database.write() as db:
                    more = step(db)
                took = time.perf_counter() - started
            steps += 1
            if hurry and steps % LOGGED == 0:
                self._database.shorten_log()
            elif not hurry:
                self._stopping.wait(REST * took)

    def _damaged(self) -> str | None:
        """Return what is damaged first, empty if nothing is; None if the look had to give way."""
        with self._database.read() as db:
            db.set_progress_handler(lambda: self._stopping.is_set() or self._database.full, OPCODES)
            try:
                rows = [str(row[0]) for row in db.execute("PRAGMA quick_check(5)")]
            except apsw.InterruptError:
                return None
            except (apsw.CorruptError, apsw.NotADBError) as error:
                return str(error)
        return "" if rows == ["ok"] else " ".join(rows[0].split())

    def _run(self) -> None:
        self._ballast.take()
        unchecked = 0.0 if self.check() else CHECK
        wait, was_full = self._period, False
        while not self._stopping.wait(LOOK):
            wait -= LOOK
            unchecked += LOOK
            full = self._database.full
            if wait <= 0 or (full and not was_full):
                wait = self._period
                self._round()
                if unchecked >= CHECK and self.check():
                    unchecked = 0.0
            was_full = full

    def _round(self) -> None:
        try:
            if self._database.full:
                self.relieve()
            else:
                self.tidy()
            self._ballast.take()
            self._problem = ""
        except StoreError as error:
            self._problem = str(error)
            LOG.error("upkeep of the store: %s", error)  # noqa: TRY400 - the message says it all
