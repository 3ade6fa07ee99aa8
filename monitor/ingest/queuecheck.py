"""Finds out once after the start what the broker keeps for us, and watches what it says that it drops."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from monitor.ingest.drops import Drops
from monitor.ingest.probe import Kept, Unknown, keeps
from monitor.service.ports import Clock, SourceHealth
from monitor.service.settings import BrokerTable
from monitor.service.vitals import BrokerLimits

LOG: Final = logging.getLogger("cushionwatch.broker")

SETTLE: Final = 5.0
"""Seconds of connection before the check, in which what waited for us comes first."""
TRIES: Final = 3
AGAIN: Final = 60.0
"""Seconds between two tries of a check that was cut off."""
EXCUSED: Final = 60.0
"""Seconds after a check in which the broker may still tell of what the check made it drop."""
_LOOK: Final = 0.25

Try = Callable[[BrokerTable, Sequence[str], Callable[[], bool], Callable[[], bool]], Kept | Unknown]


class Connected(Protocol):
    """The connection of the service."""

    drops: Drops

    def health(self) -> SourceHealth:
        """Return whether messages can arrive."""


class QueueCheck:
    """The check in a thread that ends with it.

    Parameters
    ----------
    broker : BrokerTable
        Where the broker is; ``check_queue`` false: nothing is tried.
    filters : Sequence[str]
        What the service reads.
    source : Connected
        The connection of the service.
    clock : Clock
        Time of day.
    settle : float
        Seconds of connection before the check.
    attempt : Try
        Tries it; replaced in tests only.
    """

    def __init__(
        self,
        broker: BrokerTable,
        filters: Sequence[str],
        source: Connected,
        clock: Clock,
        *,
        settle: float = SETTLE,
        attempt: Try = keeps,
    ) -> None:
        self._broker = broker
        self._filters = filters
        self._source = source
        self._clock = clock
        self._settle = settle
        self._attempt = attempt
        self._found: Kept | Unknown | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="queue-check", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        if self._broker.check_queue:
            self._thread.start()

    def stop(self, timeout: float = 2.0) -> None:
        """End a check that is under way."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def limits(self) -> BrokerLimits:
        """Return what is known of the broker."""
        warnings = self._source.drops.warnings(self._clock.now())
        dropped = self._source.drops.count
        match self._found:
            case Kept(kept, tried):
                words = [short_queue(kept, tried)] if kept < tried else []
                return BrokerLimits(kept, tried, dropped, (*words, *warnings))
            case Unknown(why):
                return BrokerLimits(None, None, dropped, (not_known(why), *warnings))
            case _:
                return BrokerLimits(dropped=dropped, warnings=tuple(warnings))

    def _run(self) -> None:
        try:
            for _ in range(TRIES):
                if not self._wait_for_connection():
                    return
                found = self._try()
                if self._stopping.is_set():
                    return
                if isinstance(found, Kept) or not found.again:
                    break
                self._stopping.wait(AGAIN)
        except Exception:
            LOG.exception("the check of the broker's queue: unexpected")
            return
        self._found = found
        if isinstance(found, Unknown):
            LOG.warning("%s", not_known(found.why))
        elif found.kept < found.tried:
            LOG.warning("%s", short_queue(found.kept, found.tried))
        else:
            LOG.info("the broker keeps at least %d messages for cushionwatch while it is away", found.kept)

    def _try(self) -> Kept | Unknown:
        drops = self._source.drops
        drops.excuse(float("inf"))
        try:
            return self._attempt(self._broker, self._filters, self._connected, self._stopping.is_set)
        finally:
            drops.excuse(self._clock.now() + EXCUSED)

    def _connected(self) -> bool:
        return self._source.health().connected

    def _wait_for_connection(self) -> bool:
        """Wait until the service has been connected for a while; False if told to stop."""
        steady = 0.0
        while steady < self._settle:
            if self._stopping.wait(_LOOK):
                return False
            steady = steady + _LOOK if self._connected() else 0.0
        return True


def short_queue(kept: int, tried: int) -> str:
    """Return what it means that the broker kept fewer messages than it was sent."""
    return (
        f"this broker drops what waits for cushionwatch beyond about {kept} messages, although it confirms them to the "
        f"devices (of {tried} that were tried): set max_queued_messages, see deploy/mosquitto.conf"
    )


def not_known(why: str) -> str:
    """Return what it means that nothing was found out."""
    return (
        f"whether this broker keeps what waits for cushionwatch while it is away could not be checked, because {why}; "
        "see max_queued_messages in deploy/mosquitto.conf"
    )
