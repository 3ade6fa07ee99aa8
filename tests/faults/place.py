"""A broker with the limits of `deploy/mosquitto.conf`, the files of a service, and the command that runs it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Protocol, TypeVar

import apsw
from broker import Broker, running_broker, wait_until

from monitor.store.sqlite import SqliteStore

ROOT: Final = Path(__file__).parents[2]
SUBSCRIBED: Final = "and subscribed"
_LIMITS: Final = re.compile(r"(?m)^(?:autosave_interval|max_queued_\w+|max_inflight_messages) .*$")
_HELD: Final = (
    "SELECT (SELECT count(*) FROM reading) + (SELECT ifnull(sum(count), 0) FROM sealed) "
    "+ (SELECT count(*) FROM rejected) + (SELECT count(*) FROM retold)"
)


def limits() -> list[str]:
    """Return the lines of the broker's configuration that bound what it keeps for a service that is away."""
    found = _LIMITS.findall((ROOT / "deploy" / "mosquitto.conf").read_text())
    if len(found) != 4:
        raise RuntimeError(f"deploy/mosquitto.conf has other limits than this expects: {found}")
    return found


class Closable(Protocol):
    """Something that runs until it is closed."""

    def close(self) -> None:
        """End; a second call does nothing."""


C = TypeVar("C", bound=Closable)


class Place:
    """The files of a service without a page, and its process; it may be started again and again.

    Parameters
    ----------
    path : Path
        Folder of its own.
    port : int
        Where it finds the broker.
    sites : Sequence[str]
        Ids of sites without any more facts.
    more : str
        Further tables of the service file.
    broker_lines : str
        Further lines of its table ``[broker]``.
    alerts : str
        Address of the channel ``desk``.
    """

    def __init__(
        self,
        path: Path,
        port: int,
        sites: Sequence[str],
        *,
        more: str = "",
        broker_lines: str = "",
        alerts: str = "terminal://",
    ) -> None:
        self.path = path
        (path / "sites").mkdir(parents=True)
        for site in sites:
            (path / "sites" / f"{site}.toml").write_text(f'id = "{site}"\n')
        self.config = path / "service.toml"
        self.config.write_text(
            f'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\nport = {port}\n{broker_lines}\n'
            f'[web]\nenabled = false\n[alerts.channels.desk]\nurl = "{alerts}"\n{more}\n'
        )
        self.process: subprocess.Popen[bytes] | None = None
        self._ending: list[Closable] = []
        self._out, self._err = path / "out.txt", path / "err.txt"

    @property
    def store_file(self) -> Path:
        """Return the file of the store."""
        return self.path / "var" / "cushionwatch.db"

    @property
    def log(self) -> str:
        """Return all that the service wrote to its log so far."""
        return self._err.read_text() if self._err.exists() else ""

    def store(self) -> SqliteStore:
        """Open the store; only while the service does not run."""
        return SqliteStore(self.store_file)

    def start(
        self,
        program: Sequence[str] = ("-m", "monitor"),
        environment: Mapping[str, str] | None = None,
        until: str = SUBSCRIBED,
        timeout: float = 240.0,
        before: Sequence[str] = (),
    ) -> float:
        """Start, wait until its log has a new line with ``until``; return how long that took [s].

        ``program`` is what Python runs, ``before`` a command that runs Python.
        """
        began, lines = time.monotonic(), self.log.count(until)
        with self._out.open("ab") as out, self._err.open("ab") as err:
            self.process = subprocess.Popen(
                [*before, sys.executable, *program, "run", "--config", str(self.config)],
                stdout=out, stderr=err, cwd=ROOT,
                env={"PATH": os.environ["PATH"], "HOME": str(self.path), **(environment or {})},
            )  # fmt: skip
        wait_until(lambda: self.log.count(until) > lines or self.ended, timeout=timeout, what="the start")
        if self.ended:
            raise RuntimeError(f"the service ended at its start:\n{self.log[-2000:]}")
        return time.monotonic() - began

    @property
    def ended(self) -> bool:
        """Tell whether no process runs."""
        return self.process is None or self.process.poll() is not None

    def stop(self, how: signal.Signals = signal.SIGTERM, timeout: float = 30.0) -> int:
        """Send a signal and return the exit code."""
        if self.process is None:
            raise RuntimeError("the service was not started")
        self.process.send_signal(how)
        return self.process.wait(timeout)

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run another command on these files to its end."""
        return subprocess.run(
            [sys.executable, "-m", "monitor", *words, "--config", str(self.config)],
            capture_output=True, text=True, timeout=60, check=False, cwd=ROOT,
        )  # fmt: skip

    def held(self) -> int:
        """Return how many readings and refusals the store holds, beside a service that writes."""
        try:
            connection = apsw.Connection(str(self.store_file), flags=apsw.SQLITE_OPEN_READONLY)
        except apsw.CantOpenError:
            return 0
        try:
            connection.set_busy_timeout(5000)
            return int(str(connection.execute(_HELD).get))
        finally:
            connection.close()

    def drain(self, count: int, *, still: float = 10.0, timeout: float = 300.0) -> float:
        """Wait until the store holds ``count`` or more, or no more comes for ``still`` s; return the wait [s]."""
        began = changed = time.monotonic()
        held = self.held()
        while held < count and time.monotonic() - changed < still:
            if time.monotonic() - began > timeout:
                raise RuntimeError(f"not drained within {timeout:g} s: {held} of {count}")
            time.sleep(0.1)
            before, held = held, self.held()
            if held != before:
                changed = time.monotonic()
        return time.monotonic() - began

    def ends(self, one: C) -> C:
        """Take care that something ends when this does, and return it."""
        self._ending.append(one)
        return one

    def close(self) -> None:
        """End what runs."""
        for one in self._ending:
            one.close()
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@contextmanager
def broker_and_place(folder: Path, sites: Sequence[str], **options: str) -> Iterator[tuple[Broker, Place]]:
    """Run a broker, and give the files of a service that uses it, for the length of a ``with`` block."""
    with running_broker(folder, *limits()) as broker:
        place = Place(folder / "service", broker.port, sites, **options)
        try:
            yield broker, place
        finally:
            place.close()


def site_names(count: int) -> list[str]:
    """Return ids for sites."""
    return [f"site-{number:03d}" for number in range(count)]
