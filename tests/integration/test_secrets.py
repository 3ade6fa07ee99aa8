"""Secrets that mark themselves: none of them is seen in logs, errors, metrics, pages or topics of a real service."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import httpx
import paho.mqtt.client as paho
import pytest
from broker import HOST, Broker, running_broker, wait_until
from running import Folder, Service

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.service.ports import Alert

CANARIES = ("canary-broker", "canary-path", "canary-token", "canary-user", "canary-copy")
NOW = 1_770_000_000.0
SITE = 'id = "a"\nunit = "kPa"\n'


class Refusing(BaseHTTPRequestHandler):
    """A receiver of alerts and copies that takes nothing, and says back how it was asked."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.send_response(500)
        self.end_headers()
        self.wfile.write(f"{self.path} {self.headers}".encode())
        self.server.asked.append(self.path)  # type: ignore[attr-defined]

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def receiver() -> Iterator[ThreadingHTTPServer]:
    server = ThreadingHTTPServer((HOST, 0), Refusing)
    server.asked = []  # type: ignore[attr-defined]
    thread = Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


def secretive(path: Path, broker: Broker, receiver: ThreadingHTTPServer, form: str) -> Folder:
    """Return a service with a secret wherever there may be one."""
    folder = Folder(path, broker, SITE)
    port = receiver.server_address[1]
    for name, text in {
        "broker": "canary-broker\n",
        "url": f"json://canary-user:canary-token@{HOST}:{port}/canary-path?verify=no\n",
        "copy": "canary-copy\n",
    }.items():
        (path / name).write_text(text)
        (path / name).chmod(0o600)
    (path / "service.toml").write_text(
        'data = "var"\nsites = "sites"\n'
        f'[broker]\nhost = "{HOST}"\nport = {broker.port}\nusername = "svc"\npassword_file = "broker"\n'
        f"[web]\nport = {folder.port}\n"
        f'[log]\nformat = "{form}"\nlevel = "debug"\n'
        f'[timeseries]\nurl = "http://{HOST}:{port}"\nbucket = "b"\ntoken_file = "copy"\n'
        '[alerts.channels.desk]\nurl_file = "url"\n'
    )
    return folder


def hits(text: str) -> list[str]:
    return [one for one in CANARIES if one in text]


def run(folder: Folder, *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor", *command, "--config", str(folder.path / "service.toml")],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def owe_an_alert(folder: Folder) -> None:
    store = folder.store()
    found = Finding(Fault.BLIND, NOW, NOW, Severity.LOW, 0.9, "why", "act", "care", {})
    store.raise_event("a", found, {"desk": Alert("a/blind/1", "a", "title", "body", "low", NOW)})
    store.close()


@pytest.mark.parametrize("form", ["text", "json"])
def test_no_secret_is_seen_from_outside(tmp_path: Path, receiver: ThreadingHTTPServer, form: str) -> None:
    with running_broker(tmp_path, users={"svc": "canary-broker", "reader": "x"}) as broker:
        folder = secretive(tmp_path / "service", broker, receiver, form)
        one = Service(folder)
        heard: list[str] = []
        reader = paho.Client(paho.CallbackAPIVersion.VERSION2)
        reader.username_pw_set("reader", "x")
        reader.on_message = lambda _c, _d, message: heard.append(f"{message.topic} {message.payload!r}")
        reader.connect(HOST, broker.port)
        reader.subscribe("cushionwatch/service/#", 1)
        reader.loop_start()
        try:
            one.start()
            owe_an_alert(folder)
            broker.publish("cushionwatch/a/pressure", "412.5", username="svc", password=CANARIES[0])
            broker.publish("cushionwatch/a/pressure", "no number", username="svc", password=CANARIES[0])
            assert "canary" not in run(folder, "alert", "--test").stderr
            asked = receiver.asked  # type: ignore[attr-defined]
            wait_until(lambda: "not delivered" in one.err.read_text(), timeout=60, what="the alert's failure")
            wait_until(lambda: any("canary-path" in path for path in asked), timeout=30, what="an alert")
            wait_until(lambda: any("write" in path for path in asked), timeout=90, what="a copy")
            wait_until(lambda: any("verdict/a" in line for line in heard), timeout=60, what="the verdict")
            paths = ("/", "/sites/a", "/metrics", "/readyz", "/healthz", "/api/sites", "/nothing")
            seen = [httpx.get(folder.url + path, timeout=20).text for path in paths]
            # the password is wrong from now on, and nothing listens where alerts and copies go
            broker.users = {"svc": "another", "reader": "x"}
            broker.restart()
            wait_until(
                lambda: "refused the connection" in one.err.read_text(), timeout=60, what="the refusal"
            )
            seen += [httpx.get(folder.url + path, timeout=20).text for path in paths]
            one.stop()
        finally:
            reader.disconnect()
            reader.loop_stop()
            if one.process is not None and one.process.poll() is None:
                one.process.kill()
                one.process.wait()
        seen += heard
        seen += [one.out.read_text(), one.err.read_text()]
    assert hits("\n".join(seen)) == []
    lines = one.err.read_text().splitlines()
    assert len(lines) > 5
    if form == "json":
        entries = [json.loads(line) for line in lines]
        assert all({"time", "level", "logger", "message"} <= set(entry) for entry in entries)


def test_no_secret_is_seen_in_what_is_said_of_wrong_settings(
    tmp_path: Path, receiver: ThreadingHTTPServer
) -> None:
    with running_broker(tmp_path) as broker:
        folder = secretive(tmp_path / "service", broker, receiver, "text")
    path = folder.path / "service.toml"
    right = path.read_text()
    for wrong in (
        right.replace('url_file = "url"', 'url = "canary-token"'),
        right.replace('url_file = "url"', 'url = "json://canary-token"\nurl_file = "url"'),
        right.replace('password_file = "broker"', 'password = "canary-broker"'),
        right.replace('token_file = "copy"', 'token = "canary-copy"'),
        right.replace(f"http://{HOST}", f"http://canary-user:canary-copy@{HOST}"),
    ):
        assert wrong != right
        path.write_text(wrong)
        for command in ("check", "run"):
            said = run(folder, command)
            assert said.returncode == 2
            assert said.stderr + said.stdout
            assert hits(said.stderr + said.stdout) == [], wrong
