"""Processes of the demo: started apart from the terminal's signals, and never left behind."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path
from typing import Self

from monitor.errors import CushionwatchError


class Child:
    """A module of ours in a process of its own; what it says on stderr goes to a file."""

    def __init__(self, name: str, folder: Path, module: str, *arguments: str) -> None:
        self.name = name
        self._log = folder / f"{name}.log"
        command = [sys.executable, "-m", "monitor.cli.tether", module, *arguments]
        with self._log.open("wb") as log:
            # A session of its own: Ctrl-C reaches us alone, and we end the children in order.
            self._process = subprocess.Popen(  # noqa: S603 - our own modules alone
                command, stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def code(self) -> int | None:
        """Return the exit code, None while it runs."""
        return self._process.poll()

    def check(self) -> None:
        """Raise where the process has ended by itself."""
        if self.code is not None:
            raise CushionwatchError(
                f"the {self.name} ended unexpectedly (code {self.code}): {self.last_words()}"
            )

    def last_words(self) -> str:
        """Return the last line that the process said."""
        lines = self._log.read_text(errors="replace").strip().splitlines()
        return lines[-1] if lines else "it said nothing"

    def ask_to_stop(self) -> None:
        """Tell the process to end; returns at once."""
        if self.code is None:
            self._process.terminate()

    def stop(self, timeout: float = 1.0) -> None:
        """End the process, by force if it does not do so itself."""
        self.ask_to_stop()
        try:
            self._process.wait(timeout)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdin is not None:
            self._process.stdin.close()


def free_port() -> int:
    """Return a loopback port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    """Tell whether something listens on a loopback port."""
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
    except OSError:
        return False
    return True
