"""A service run as its command, on files of its own and a real broker; for tests that look from outside."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
from broker import Broker, free_port, wait_until
from paho.mqtt.enums import CallbackAPIVersion

from monitor.diagnosis.faults import Finding
from monitor.store.sqlite import SqliteStore


def publish(broker: Broker, what: Iterable[tuple[str, bytes]], after: int = 0) -> None:
    """Publish at QoS 1 and return when the broker has everything; pause every ``after`` messages."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    sent = []
    for count, (topic, payload) in enumerate(what, 1):
        sent.append(client.publish(topic, payload, qos=1))
        if after and count % after == 0:
            sent[-1].wait_for_publish(30)
            time.sleep(0.05)
    for one in sent:
        one.wait_for_publish(30)
    client.disconnect()
    client.loop_stop()


class Folder:
    """The files of a service, and the command that runs it."""

    def __init__(self, path: Path, broker: Broker, *site_files: str) -> None:
        self.path = path
        self.port = free_port()
        (path / "sites").mkdir(parents=True)
        for count, text in enumerate(site_files):
            (path / "sites" / f"{count}.toml").write_text(text)
        (path / "service.toml").write_text(
            'data = "var"\nsites = "sites"\n'
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n[web]\nport = {self.port}\n'
            '[alerts.channels.desk]\nurl = "terminal://"\n'
        )

    def store(self) -> SqliteStore:
        return SqliteStore(self.path / "var" / "cushionwatch.db")

    def last(self, site: str) -> float:
        store = self.store()
        try:
            return (store.span(site) or (0.0, 0.0))[1]
        finally:
            store.close()

    def findings(self, site: str) -> list[Finding]:
        store = self.store()
        try:
            return [event.finding for event in reversed(store.events(site))]
        finally:
            store.close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ready(self) -> bool:
        try:
            return bool(httpx.get(f"{self.url}/readyz", timeout=5).json()["ready"])
        except httpx.TransportError:
            return False


class Service:
    """The command that runs a service; may be started again and again."""

    def __init__(self, folder: Folder) -> None:
        self.out, self.err = folder.path / "out.txt", folder.path / "err.txt"
        self._folder = folder
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it is ready."""
        with self.out.open("ab") as out, self.err.open("ab") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "run", "--config", str(self._folder.path / "service.toml")],
                stdout=out, stderr=err, env={"PATH": os.environ["PATH"], "HOME": str(self._folder.path)},
            )  # fmt: skip
        wait_until(lambda: self._folder.ready() or self._ended(), timeout=60, what="readiness")
        assert not self._ended(), self.err.read_text()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal and return the exit code."""
        assert self.process is not None
        self.process.send_signal(how)
        return self.process.wait(timeout=10)

    def _ended(self) -> bool:
        return self.process is None or self.process.poll() is not None


@contextmanager
def service(folder: Folder) -> Iterator[Service]:
    """Run a service for the length of a ``with`` block."""
    one = Service(folder)
    try:
        one.start()
        yield one
    finally:
        if one.process is not None and one.process.poll() is None:
            one.process.kill()
            one.process.wait()
