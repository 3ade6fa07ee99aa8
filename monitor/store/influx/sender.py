"""Delivers lines until the database has them or has refused them one by one."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.errors import SettingsError
from monitor.service.ports import Clock
from monitor.store.influx import lines
from monitor.store.influx.ledger import Ledger
from monitor.store.influx.remote import AwayError, RefusedError, Remote, WrongSettingsError

LOG: Final = logging.getLogger("cushionwatch.copy")

QUIET: Final = 60.0
"""Seconds without an answer after which people are told: a restart of the database is no news."""
_EXPONENT: Final = 30


class StoppedError(Exception):
    """Told to stop before the lines were delivered; they stay owed."""


@dataclass(frozen=True, slots=True)
class BackOff:
    """The wait after a failed write: doubles from ``first`` to ``longest`` [s], half of it by chance.

    ``settings``: after an answer that only a person can change.
    """

    first: float = 1.0
    longest: float = 60.0
    settings: float = 60.0

    def wait(self, failed: int, chance: float) -> float:
        """Return the wait after the ``failed``-th failure in a row. ``chance``: 0 to below 1."""
        return min(self.first * 2.0 ** min(failed - 1, _EXPONENT), self.longest) * (0.5 + 0.5 * chance)


PATIENT: Final = BackOff()
"""For hours without the database."""


class Sender:
    """Writes lines to one database, with patience. For one thread.

    Parameters
    ----------
    remote : Remote
        The database.
    ledger : Ledger
        Takes the points that are refused.
    clock : Clock
        Time of day.
    chance : Callable[[], float]
        Random number from 0 to below 1, spreads the attempts of many installations.
    stopping : threading.Event
        Ends every wait.
    """

    def __init__(
        self,
        remote: Remote,
        ledger: Ledger,
        clock: Clock,
        chance: Callable[[], float],
        stopping: threading.Event,
        back_off: BackOff = PATIENT,
    ) -> None:
        self.failing: tuple[float, str, bool] | None = None
        """Since when, why, and whether only a person can change it; None after a write that went well."""
        self.asked: float | None = None
        """When the write that is under way was begun."""
        self._remote = remote
        self._ledger = ledger
        self._clock = clock
        self._chance = chance
        self._stopping = stopping
        self._back_off = back_off

    def deliver(self, batch: Sequence[str]) -> None:
        """Return when each line is in the database or listed as refused; `StoppedError` if told to stop."""
        failed = 0
        while not self._stopping.is_set():
            try:
                self._try(batch)
            except AwayError as error:
                if not failed:
                    self._ledger.doubt()
                failed += 1
                wait = max(self._back_off.wait(failed, self._chance()), error.after)
                self._note(str(error), wait, settings=False)
            except (WrongSettingsError, SettingsError) as error:
                wait = self._back_off.settings
                self._note(str(error), wait, settings=True)
            else:
                if self.failing:
                    LOG.warning("the time-series database takes the copy again")
                self.failing = None
                return
            if self._stopping.wait(wait):
                break
        raise StoppedError

    def _try(self, batch: Sequence[str]) -> None:
        try:
            self._write(batch)
        except RefusedError as refusal:
            # Some servers answer 400 to everything when a setting is wrong: then no point is to blame.
            try:
                self._write([self._harmless()])
            except RefusedError as error:
                raise WrongSettingsError(f"even a harmless point is refused: {error}") from None
            self._divide(batch, refusal)

    def _divide(self, batch: Sequence[str], refusal: RefusedError) -> None:
        """Halve until the refused points stand alone, and set these aside."""
        if len(batch) == 1:
            if self._ledger.set_aside(batch[0], str(refusal), self._clock.now()):
                LOG.warning("a point was refused by the time-series database: %s (%r)", refusal, batch[0])
            return
        middle = len(batch) // 2
        for half in (batch[:middle], batch[middle:]):
            try:
                self._write(half)
            except RefusedError as error:
                self._divide(half, error)

    def _write(self, batch: Sequence[str]) -> None:
        self.asked = self._clock.now()
        try:
            self._remote.write(batch)
        finally:
            self.asked = None

    def _harmless(self) -> str:
        return lines.copy(*self._ledger.counts(), self._clock.now())

    def _note(self, reason: str, wait: float, *, settings: bool) -> None:
        since = self.failing[0] if self.failing else self._clock.now()
        told = self.failing[1] if self.failing else ""
        level = logging.DEBUG if reason == told else logging.WARNING
        LOG.log(level, "the copy waits %.1f s: %s", wait, reason)
        self.failing = (since, reason, settings)
