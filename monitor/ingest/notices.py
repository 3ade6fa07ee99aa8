"""What the service tells on topics of its own: the last word on each, told again after every connection.

A caller is never held up: a notice waits here, the newest of a name in place of an older one, until the
connection takes it. Only a few are on their way at once, so that a slow broker makes nothing pile up.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Final, NamedTuple

LOG: Final = logging.getLogger("cushionwatch.broker")

ON_THEIR_WAY: Final = 10
"""Notices sent and not confirmed yet; below the 20 that the client library and brokers allow at once."""
NAMES_MOST: Final = 20_000
"""Names that are kept; beyond them the one that was told the longest time ago is told no more."""
PAYLOAD_MOST: Final = 64 * 1024
"""Bytes of a notice."""
_NAME_MOST: Final = 400
"""Bytes of a name."""


class Notice(NamedTuple):
    """What a topic of ours says; the broker keeps it for later readers if ``retain``."""

    payload: bytes
    retain: bool


Send = Callable[[str, Notice], int | None]
"""Hands a notice to the connection; returns its number there, None where it was not taken."""


class Notices:
    """The last notice of each name, and which of them the broker has still to be told; for any thread.

    Parameters
    ----------
    send : Send
        Must return at once.
    refused : Callable[[str, str], None]
        Told a name and the broker's reason where it does not take a notice.
    """

    def __init__(self, send: Send, refused: Callable[[str, str], None]) -> None:
        self._send = send
        self._refused = refused
        # Never held while the client library is called: it has locks of its own.
        self._lock = threading.Condition(threading.RLock())
        self._sending = threading.Lock()
        self._kept: OrderedDict[str, Notice] = OrderedDict()
        self._owed: OrderedDict[str, Notice] = OrderedDict()
        self._on_their_way: dict[int, str] = {}
        self._early: dict[int, str] = {}
        self._open = False

    def put(self, name: str, notice: Notice) -> None:
        """Tell it as soon as may be; what cannot be a topic or is too long is left out, and the log says so."""
        fault = _fault(name, notice)
        if fault:
            LOG.error("%a is not published: %s", name[:80], fault)
            return
        with self._lock:
            self._kept.pop(name, None)
            if notice.retain and notice.payload:  # an empty one takes back what the broker kept
                self._kept[name] = notice
            self._owed.pop(name, None)
            self._owed[name] = notice
            for crowd in (self._kept, self._owed):
                while len(crowd) > NAMES_MOST:
                    crowd.popitem(last=False)
        self._pump()

    def opened(self) -> None:
        """Take note of a new connection: what the broker keeps of us may be old or gone, all is told again."""
        with self._lock:
            once = {name: notice for name, notice in self._owed.items() if name not in self._kept}
            self._owed = OrderedDict(self._kept) | once
            self._on_their_way, self._early, self._open = {}, {}, True
        self._pump()

    def closed(self) -> None:
        """Take note of a lost connection."""
        with self._lock:
            self._open = False
            self._lock.notify_all()

    def confirmed(self, number: int, refusal: str = "") -> None:
        """Take note of the broker's answer to a notice, or to something else that was sent."""
        with self._lock:
            name = self._on_their_way.pop(number, None)
            if name is None:
                self._early[number] = refusal  # it may answer faster than `Send` returns
            self._lock.notify_all()
        if name is not None and refusal:
            self._refused(name, refusal)
        self._pump()

    @property
    def settled(self) -> bool:
        """Tell whether the broker has confirmed everything."""
        with self._lock:
            return not self._owed and not self._on_their_way

    def settle(self, timeout: float) -> bool:
        """Wait at most ``timeout`` s until the broker has confirmed everything, or is gone."""
        with self._lock:
            return self._lock.wait_for(self._nothing_to_wait_for, timeout)

    def _nothing_to_wait_for(self) -> bool:
        return self.settled or not self._open

    def _may_send(self) -> bool:
        with self._lock:
            return self._open and bool(self._owed) and len(self._on_their_way) < ON_THEIR_WAY

    def _pump(self) -> None:
        """Send what may go. One thread at a time, else an older notice could overtake a newer one."""
        while self._may_send() and self._sending.acquire(blocking=False):
            try:
                taken = self._send_next()
            finally:
                self._sending.release()
            if not taken:
                return

    def _send_next(self) -> bool:
        with self._lock:
            if not self._owed or len(self._on_their_way) >= ON_THEIR_WAY:
                return True
            name, notice = self._owed.popitem(last=False)
        number = self._send(name, notice)
        with self._lock:
            if number is None:
                self._owed.setdefault(name, notice)
                return False
            refusal = self._early.pop(number, None)
            if refusal is None:
                self._on_their_way[number] = name
            self._lock.notify_all()
        if refusal:
            self._refused(name, refusal)
        return True


def _fault(name: str, notice: Notice) -> str:
    size = len(name.encode(errors="replace"))
    if not name or size > _NAME_MOST or any(sign in name for sign in "+#\0") or not name.isprintable():
        return f"allowed: a printable name of 1 to {_NAME_MOST} bytes, without + and #"
    if len(notice.payload) > PAYLOAD_MOST:
        return f"{len(notice.payload)} bytes; allowed: {PAYLOAD_MOST}"
    return ""
