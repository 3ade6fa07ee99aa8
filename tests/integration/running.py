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
    """One run of the command, from its start to its end."""

    def __init__(self, folder: Folder) -> None:
        self.out, self.err = folder.path / "out.txt", folder.path / "err.txt"
        with self.out.open("ab") as out, self.err.open("ab") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "run", "--config", str(folder.path / "service.toml")],
                stdout=out, stderr=err, env={"PATH": os.environ["PATH"], "HOME": str(folder.path)},
            )  # fmt: skip
        wait_until(lambda: folder.ready() or self.process.poll() is not None, timeout=30, what="readiness")
        assert self.process.poll() is None, self.err.read_text()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(how)
        return self.process.wait(timeout=10)


@contextmanager
def service(folder: Folder) -> Iterator[Service]:
    one = Service(folder)
    try:
        yield one
    finally:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()
