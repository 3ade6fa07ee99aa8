"""Serves the page from a thread of its own, so that the main thread stays free to hear a signal."""

from __future__ import annotations

import errno
import socket
import threading
from typing import Final

import uvicorn
from fastapi import FastAPI

from monitor.errors import InputError

_TRIES: Final = 100
"""Ports that are looked at, from the wanted one upwards."""


def listen(host: str, port: int, *, search: bool) -> socket.socket:
    """Return a socket that listens on ``port``, or with ``search`` on the next free one.

    Raises
    ------
    InputError
        If there is none, or the address is not one of this machine.
    """
    for candidate in range(port, min(port + (_TRIES if search else 1), 65536)):
        found = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((host, candidate))
        except OSError as error:
            found.close()
            if error.errno != errno.EADDRINUSE:
                raise InputError(
                    f"the page cannot listen on {host} port {candidate}: {error.strerror}"
                ) from error
        else:
            return found
    raise InputError(
        f"the page cannot listen on {host} port {port}: another program does; end it, or choose another port"
    )


class _Server(uvicorn.Server):
    """Counts the turns of its loop."""

    beat = 0

    async def on_tick(self, counter: int) -> bool:
        self.beat += 1
        return await super().on_tick(counter)


class PageServer:
    """The running page, from `start` to `stop`."""

    def __init__(self, app: FastAPI, listener: socket.socket) -> None:
        host, port = listener.getsockname()[:2]
        self.url = f"http://{f'[{host}]' if ':' in host else host}:{port}"
        self._socket = listener
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            # A browser holds its connection open; a stop does not wait for it.
            timeout_graceful_shutdown=1,
        )
        self._server = _Server(config)
        self._thread = threading.Thread(target=self._server.run, args=([listener],), name="page", daemon=True)

    @property
    def alive(self) -> bool:
        """Tell whether the page is served."""
        return self._thread.is_alive()

    @property
    def ready(self) -> bool:
        """Tell whether the page answers already."""
        return self._server.started

    @property
    def beat(self) -> int:
        """Return a number that changes as long as the loop of the page turns."""
        return self._server.beat

    def start(self) -> None:
        """Begin to answer; returns at once."""
        self._thread.start()

    def stop(self, timeout: float = 2.0) -> None:
        """Stop to answer."""
        self._server.should_exit = True
        if self._thread.ident is not None:
            self._thread.join(timeout)
        self._socket.close()
