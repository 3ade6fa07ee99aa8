"""Messages between the network and the worker: so many and no more, so that the broker holds back the rest."""

from __future__ import annotations

import queue
import threading
from typing import Final

from monitor.service.ports import Message

BYTES_MOST: Final = 2 * 1024 * 1024
"""Bytes of payload after which no more is taken at once: about 40 000 samples with time stamps."""
_GLANCE: Final = 0.2  # seconds between two looks whether we are told to stop


class Inbox:
    """A bounded queue of messages; ``stopping`` ends a wait for room."""

    def __init__(self, size: int, stopping: threading.Event) -> None:
        self.size = size
        self._queue: queue.Queue[Message] = queue.Queue(size)
        self._stopping = stopping

    @property
    def full(self) -> bool:
        """Tell whether there is no room."""
        return self._queue.full()

    def put(self, message: Message) -> None:
        """Wait for room: the broker is held back as long as the worker is behind."""
        while not self._stopping.is_set():
            try:
                self._queue.put(message, timeout=_GLANCE)
            except queue.Full:
                continue
            return

    def take(self, limit: int, timeout: float) -> list[Message]:
        """Return up to ``limit`` messages; wait at most ``timeout`` s for the first, then take what is there.

        Fewer where they are large: what is taken at once must be stored and analysed in seconds.
        """
        taken: list[Message] = []
        size = 0
        try:
            taken.append(self._queue.get(timeout=timeout) if timeout > 0 else self._queue.get_nowait())
            while len(taken) < limit and (size := size + len(taken[-1].payload)) < BYTES_MOST:
                taken.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return taken
