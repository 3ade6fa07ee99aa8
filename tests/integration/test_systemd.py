"""What the command tells a service manager, heard at a real datagram socket."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from broker import running_broker, wait_until
from running import Folder, publish

PERIOD = 6.0
"""Seconds within which the manager of these tests wants a sign of life."""
SITE = 'id = "a"\nunit = "kPa"\n'


class Manager:
    """Listens as systemd does, at a path or at an abstract name."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.heard: list[str] = []
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind("\0" + address[1:] if address.startswith("@") else address)
        self._line.setblocking(False)

    def close(self) -> None:
        self._line.close()

    def lines(self) -> list[str]:
        with contextlib.suppress(BlockingIOError):
            while True:
                self.heard += self._line.recv(4096).decode().split("\n")
        return self.heard

    def wait(self, line: str, timeout: float = 60.0) -> None:
        wait_until(lambda: line in self.lines(), timeout=timeout, what=f"{line} after {self.lines()}")

    def signs(self) -> int:
        return self.lines().count("WATCHDOG=1")


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    one = Manager(str(tmp_path / "notify"))
    yield one
    one.close()


@contextlib.contextmanager
def command(folder: Folder, manager: Manager, err: int, **environ: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run the real command as a unit of a manager."""
    environ = {"PATH": os.environ["PATH"], "NOTIFY_SOCKET": manager.address, **environ}
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor", "run", "--config", str(folder.path / "service.toml")],
        stdout=subprocess.DEVNULL, stderr=err, env=environ,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()


def test_it_tells_when_it_is_ready_what_it_does_and_that_it_stops(tmp_path: Path) -> None:
    manager = Manager(f"@cushionwatch-{os.getpid()}-{os.urandom(4).hex()}")  # an abstract name
    with contextlib.closing(manager), running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, SITE)
        with command(folder, manager, subprocess.DEVNULL) as process:
            manager.wait("READY=1")
            assert (
                httpx.get(f"{folder.url}/healthz", timeout=10).status_code == 200
            )  # at once, not in a while
            manager.wait(f"STATUS=watching 1 site; connected to 127.0.0.1:{broker.port}")
            broker.stop()
            wait_until(
                lambda: "no connection to the broker" in manager.lines()[-1], timeout=30, what="status"
            )
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        lines = manager.lines()
    assert lines.index("READY=1") < lines.index("STOPPING=1")
    assert lines.count("READY=1") == lines.count("STOPPING=1") == 1
    assert "WATCHDOG=1" not in lines  # nobody asked for it
    assert all(re.fullmatch(r"[A-Z]+=.+", line) for line in lines)


def test_wrong_settings_never_become_ready(tmp_path: Path, manager: Manager) -> None:
    with running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, "volume = 3\n")
        with command(folder, manager, subprocess.DEVNULL) as process:
            assert process.wait(30) == 2
    assert manager.lines() == []


def test_signs_of_life_stop_while_the_worker_hangs_and_go_on_when_it_moves(
    tmp_path: Path, manager: Manager
) -> None:
    """The worker hangs for good in writing to a log that takes nothing more, as of a journal that hangs."""
    reader, writer = os.pipe()
    fcntl.fcntl(writer, fcntl.F_SETPIPE_SZ, 4096)
    watchdog = {"WATCHDOG_USEC": str(int(PERIOD * 1e6))}
    with running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, SITE)
        with command(folder, manager, writer, **watchdog):
            manager.wait("READY=1")
            wait_until(lambda: manager.signs() >= 4, timeout=60, what="signs of life")

            fill(writer)
            store = sqlite3.connect(folder.path / "var" / "cushionwatch.db", isolation_level=None)
            store.execute("BEGIN IMMEDIATE")  # the store refuses, and the worker says so in its log
            publish(broker, [("cushionwatch/a/pressure", b"412.5")])
            wait_until(
                lambda: any(line.startswith("STATUS=stands still: worker") for line in manager.lines()),
                timeout=60,
                what="the standstill",
            )
            signs = manager.signs()
            time.sleep(2 * PERIOD)
            assert manager.signs() == signs
            health = httpx.get(f"{folder.url}/healthz", timeout=10)
            assert (health.status_code, health.json()["stalled"]) == (503, ["worker"])
            assert httpx.get(f"{folder.url}/livez", timeout=10).status_code == 200

            store.execute("ROLLBACK")
            os.set_blocking(reader, False)
            with contextlib.suppress(BlockingIOError):
                while os.read(reader, 65536):
                    pass
            wait_until(lambda: manager.signs() > signs, timeout=60, what="signs of life again")
            wait_until(
                lambda: httpx.get(f"{folder.url}/healthz", timeout=10).status_code == 200, what="health"
            )
    os.close(reader)
    os.close(writer)


def fill(pipe: int) -> None:
    """Leave no room for a line."""
    os.set_blocking(pipe, False)  # of this open file: seen by the service too
    with contextlib.suppress(BlockingIOError):
        while os.write(pipe, b"x"):
            pass
    os.set_blocking(pipe, True)


def test_signs_of_life_that_another_process_owes_are_not_given(tmp_path: Path, manager: Manager) -> None:
    with running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, SITE)
        with command(
            folder, manager, subprocess.DEVNULL, WATCHDOG_USEC="500000", WATCHDOG_PID="1"
        ) as process:
            manager.wait("READY=1")
            wait_until(folder.ready, timeout=30, what="readiness")
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
    assert manager.signs() == 0
