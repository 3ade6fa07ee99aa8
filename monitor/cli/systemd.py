"""What a service manager is told: ready, what is being done, and that all threads move (sd_notify(3)).

The protocol is a datagram of lines to the Unix socket that ``NOTIFY_SOCKET`` names; without one nothing is
told. Where ``WATCHDOG_USEC`` asks for signs of life they stop as soon as one thread stands still, so that the
manager ends and restarts a service that hangs.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Callable, Mapping, Sequence
from typing import Final, Protocol

LOG: Final = logging.getLogger("cushionwatch")

LOOK: Final = 0.5
"""Seconds between two looks at the service."""
_STATUS_MOST: Final = 300  # characters of a status line


class Manager:
    """The service manager at the other end of a socket.

    Parameters
    ----------
    environ : Mapping[str, str]
        The environment of the process.
    pid : int
        Its number: signs of life may be wanted of another process of the same unit.
    """

    def __init__(self, environ: Mapping[str, str], pid: int) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog = _watchdog(environ, pid) if address else None
        """Seconds within which a sign of life is wanted; None where none is."""
        if address and address[0] not in "/@":
            LOG.warning("NOTIFY_SOCKET=%a is no Unix socket; the service manager is told nothing", address)
            self._address, self.watchdog = "", None

    def tell(self, *lines: str) -> None:
        """Send lines like ``READY=1`` in one datagram; a manager that does not listen is no trouble of ours."""
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.settimeout(LOOK)
                line.sendto("\n".join(lines).encode(errors="replace"), self._address)
        except OSError as error:
            LOG.debug("the service manager was not told %s: %s", lines[0], error)


class Standing(Protocol):
    """Knows which parts of the service do not move."""

    def standing_still(self) -> Sequence[str]:
        """Return the parts that have ended or do not move; waits for nothing."""


class Supervised(Protocol):
    """What is seen of a service by the thread that looks after it."""

    @property
    def up(self) -> bool:
        """Tell whether page and worker have begun their work."""

    def doing(self) -> str:
        """Return in a line what it does, or what keeps it from it; waits for nothing."""

    @property
    def watch(self) -> Standing:
        """Return who knows which parts do not move."""


class Supervisor:
    """Looks at the service again and again, and tells the manager.

    Parameters
    ----------
    service : Supervised
        What is looked at.
    manager : Manager
        Who is told.
    monotonic : Callable[[], float]
        Seconds that pass evenly.
    """

    def __init__(self, service: Supervised, manager: Manager, monotonic: Callable[[], float]) -> None:
        self._service = service
        self._manager = manager
        self._monotonic = monotonic
        self._ready = False
        self._status = ""
        self._signed = float("-inf")
        self._still: list[str] = []

    def look(self) -> None:
        """Tell what has changed since the last look, and give a sign of life when it is time and all move."""
        still = list(self._service.watch.standing_still())
        doing = f"stands still: {', '.join(still)}" if still else self._service.doing()
        status = " ".join(doing.split())[:_STATUS_MOST]
        if status != self._status:
            self._status = status
            self._manager.tell(f"STATUS={status}")
        if not self._ready and self._service.up:
            self._ready = True
            self._manager.tell("READY=1")
        now, period = self._monotonic(), self._manager.watchdog
        if not still and period is not None and now - self._signed >= period / 2 - LOOK:
            self._signed = now
            self._manager.tell("WATCHDOG=1")
        if still != self._still:
            # Last, for the log itself may be what hangs.
            self._still = still
            if still:
                LOG.critical("no progress: %s", ", ".join(still))
            else:
                LOG.warning("progress again")

    def stop(self) -> None:
        """Tell that the service ends."""
        self._manager.tell("STOPPING=1", "STATUS=stopping")


def _watchdog(environ: Mapping[str, str], pid: int) -> float | None:
    """Return the seconds within which a sign of life is wanted of us."""
    wanted, whose = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", str(pid))
    if not wanted.isdecimal() or int(wanted) <= 0 or whose != str(pid):
        return None
    return int(wanted) / 1e6


def manager() -> Manager:
    """Return the manager of this process."""
    return Manager(os.environ, os.getpid())
