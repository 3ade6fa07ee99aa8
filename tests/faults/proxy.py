"""A TCP proxy on loopback whose line can be made slow, cut, or dead without a word."""

from __future__ import annotations

import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

HOST: Final = "127.0.0.1"
PIECE: Final = 16384
TICK: Final = 0.01
"""Seconds between two looks; the resolution of delay and rate."""


class Line(Enum):
    """State of the line. ``CUT``: connections are reset and new ones too. ``DEAD``: taken, and nothing passes."""

    UP = "up"
    CUT = "cut"
    DEAD = "dead"


@dataclass
class _Way:
    """One direction of a connection: bytes wait until their time has come."""

    source: socket.socket
    sink: socket.socket
    waiting: deque[tuple[float, bytes]] = field(default_factory=deque)

    @property
    def held(self) -> int:
        return sum(len(piece) for _, piece in self.waiting)


class Proxy:
    """Passes connections on to ``port``; `line`, `delay` and `rate` may be changed at any time.

    ``delay`` [s] is added in each direction; ``rate`` [bytes/s] bounds each direction, None: no bound.
    """

    def __init__(self, port: int) -> None:
        self.line = Line.UP
        self.delay = 0.0
        self.rate: float | None = None
        self.taken = 0
        self._target = port
        self._listener = socket.create_server((HOST, 0))
        self.port = int(self._listener.getsockname()[1])
        self._listener.setblocking(False)
        self._ways: dict[socket.socket, _Way] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="proxy", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End all connections."""
        self._stopping.set()
        self._thread.join()
        self._drop()
        self._listener.close()

    def _run(self) -> None:
        allowance, before = 0.0, time.monotonic()
        while not self._stopping.is_set():
            self._accept()
            if self.line is Line.CUT:
                self._drop()
            now = time.monotonic()
            if self.rate is not None:
                allowance = min(allowance + self.rate * (now - before), self.rate * 10 * TICK)
            before = now
            moved = False
            if self.line is Line.UP:
                for way in list(self._ways.values()):
                    moved = self._read(way, now) or moved
                    sent = self._write(way, now, None if self.rate is None else int(allowance))
                    allowance -= sent
                    moved = moved or bool(sent)
            if not moved:
                self._wait()

    def _wait(self) -> None:
        with selectors.DefaultSelector() as waiting:
            waiting.register(self._listener, selectors.EVENT_READ)
            if self.line is Line.UP and self.rate is None:
                for source in self._ways:
                    waiting.register(source, selectors.EVENT_READ)
            waiting.select(TICK)

    def _accept(self) -> None:
        with suppress(BlockingIOError):
            near, _ = self._listener.accept()
            self.taken += 1
            try:
                far = socket.create_connection((HOST, self._target), timeout=1.0)
            except OSError:
                near.close()  # the broker is down: so is the line
                return
            for one in (near, far):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                one.setblocking(False)
            self._ways[near] = _Way(near, far)
            self._ways[far] = _Way(far, near)

    def _read(self, way: _Way, now: float) -> bool:
        if way.held > 4 * PIECE:
            return False  # the sender is held back as by a full line
        try:
            piece = way.source.recv(PIECE)
        except BlockingIOError:
            return False
        except OSError:
            piece = b""
        if not piece:
            self._end(way)
            return False
        way.waiting.append((now + self.delay, piece))
        return True

    def _write(self, way: _Way, now: float, most: int | None) -> int:
        if not way.waiting or way.waiting[0][0] > now or most == 0:
            return 0
        due, piece = way.waiting.popleft()
        try:
            sent = way.sink.send(piece[:most])
        except BlockingIOError:
            sent = 0
        except OSError:
            self._end(way)
            return 0
        if sent < len(piece):
            way.waiting.appendleft((due, piece[sent:]))
        return sent

    def _end(self, way: _Way) -> None:
        for one in (way.source, way.sink):
            self._ways.pop(one, None)
            one.close()

    def _drop(self) -> None:
        for one in list(self._ways):
            with suppress(OSError):  # a reset, not an orderly end
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
            one.close()
        self._ways.clear()


@contextmanager
def proxy_to(port: int) -> Iterator[Proxy]:
    """Run a proxy for the length of a ``with`` block."""
    one = Proxy(port)
    try:
        yield one
    finally:
        one.close()
