"""A real mosquitto for tests: on a free loopback port, in a folder of the test's own, ended with the test.

``from broker import running_broker`` in a test module of this folder; no conftest is needed.

    with running_broker(tmp_path, users={"svc": "secret"}) as broker:
        broker.publish("cushionwatch/a/pressure", "412.5", username="svc", password="secret")
        broker.restart()
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

HOST = "127.0.0.1"
_SYSTEM_PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"


def free_port() -> int:
    """Return a loopback port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def wait_until(condition: Callable[[], object], *, timeout: float = 10.0, what: str = "condition") -> None:
    """Poll ``condition`` until it is true; AssertionError after ``timeout`` seconds."""
    deadline = time.monotonic() + timeout
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"{what} did not come true within {timeout:g} s")
        time.sleep(0.01)


def program(name: str) -> str:
    """Return the path of a Debian program; a missing one fails the test rather than skipping it."""
    found = shutil.which(name, path=_SYSTEM_PATH)
    if found is None:
        raise RuntimeError(f"{name} is not installed: apt-get install mosquitto mosquitto-clients")
    return found


@dataclass
class Tls:
    """Server side of a TLS listener, files in PEM form; clients may be asked for a certificate of ``ca``."""

    ca: Path
    certificate: Path
    key: Path
    require_certificate: bool = False


@dataclass
class Broker:
    """One mosquitto process; ``start`` and ``stop`` may be called again and again on the same port."""

    folder: Path
    lines: tuple[str, ...] = ()
    users: Mapping[str, str] = field(default_factory=dict)
    tls: Tls | None = None
    port: int = 0
    host: str = HOST
    process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        """Return what the broker wrote so far."""
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def _configure(self) -> Path:
        data = self.folder / "data"
        data.mkdir(parents=True, exist_ok=True)
        lines = [
            "persistence true",
            f"persistence_location {data}/",
            "max_queued_messages 100000",
            "log_dest stderr",
            f"allow_anonymous {'false' if self.users else 'true'}",
            f"listener {self.port} {self.host}",
        ]
        if os.getuid() == 0:  # else mosquitto turns into a user who may not read the test's folder
            lines.insert(0, "user root")
        if self.users:
            lines.append(f"password_file {self._password_file()}")
        if self.tls:
            lines += [f"cafile {self.tls.ca}", f"certfile {self.tls.certificate}", f"keyfile {self.tls.key}"]
            lines.append(f"require_certificate {str(self.tls.require_certificate).lower()}")
        path = self.folder / "mosquitto.conf"
        path.write_text("\n".join([*lines, *self.lines]) + "\n")
        return path

    def _password_file(self) -> Path:
        path = self.folder / "passwd"
        path.touch(mode=0o600)
        for name, password in self.users.items():
            subprocess.run([program("mosquitto_passwd"), "-b", str(path), name, password], check=True)
        return path

    def _answers(self) -> bool:
        try:
            socket.create_connection((self.host, self.port), timeout=0.5).close()
        except OSError:
            return False
        return True

    def start(self) -> None:
        """Start and wait until the port answers; the first start looks for another port if it was taken."""
        chosen = bool(self.port)
        for _ in range(1 if chosen else 10):
            if not chosen:
                self.port = free_port()
            with (self.folder / "mosquitto.log").open("ab") as log:
                command = [program("mosquitto"), "-c", str(self._configure())]
                self.process = subprocess.Popen(command, stdout=log, stderr=log)
            wait_until(lambda: self._ended() or self._answers(), what="the broker's start")
            if not self._ended():
                return
        raise RuntimeError(f"mosquitto did not start:\n{self.log}")

    def _ended(self) -> bool:
        return self.process is None or self.process.poll() is not None

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End the process; SIGTERM saves sessions and queues, SIGKILL loses what was not saved."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(timeout=10)
        self.process = None

    def restart(self, how: signal.Signals = signal.SIGTERM) -> None:
        """Stop and start again on the same port."""
        self.stop(how)
        self.start()

    def publish(
        self,
        topic: str,
        payload: str | bytes,
        *,
        retain: bool = False,
        username: str | None = None,
        password: str | None = None,
        options: tuple[str, ...] = (),
    ) -> None:
        """Publish at QoS 1 with Debian's own client, ``options`` added; a refusal fails the test."""
        body = payload.encode() if isinstance(payload, str) else payload
        command = [program("mosquitto_pub"), "-h", self.host, "-p", str(self.port), "-q", "1", "-t", topic]
        command += ["-s"] if body else ["-n"]
        command += ["-r"] if retain else []
        command += ["-u", username, "-P", password or ""] if username else []
        done = subprocess.run([*command, *options], input=body, capture_output=True, timeout=20, check=False)
        if done.returncode:
            raise AssertionError(f"mosquitto_pub failed: {done.stderr.decode(errors='replace')}\n{self.log}")


@contextmanager
def running_broker(
    folder: Path, *lines: str, users: Mapping[str, str] | None = None, tls: Tls | None = None
) -> Iterator[Broker]:
    """Run a broker for the length of a ``with`` block; ``lines`` are added to its configuration."""
    home = folder / "broker"
    home.mkdir(parents=True, exist_ok=True)
    broker = Broker(home, lines, dict(users or {}), tls)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
