"""A webhook against a real receiver that checks signatures with the library of the specification's authors."""

from __future__ import annotations

import base64
import json
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import jsonschema
import pytest
from broker import free_port
from standardwebhooks import Webhook, WebhookVerificationError

from monitor.alerting.channels import build_channels
from monitor.alerting.machine_text import schema
from monitor.alerting.routing import composer
from monitor.alerting.webhook import WebhookChannel, read_secret
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.dispatch import dispatch_of
from monitor.errors import CushionwatchError, DeliveryError, SettingsError
from monitor.service.clock import SystemClock
from monitor.service.ports import Alert
from monitor.service.settings import load_service

SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()
ALERT = Alert("mill-3/blind/2026-01-01T00:00:00Z", "mill-3", "title", '{"form": "f", "a": 1}', "low", 0.0, 7)

Seen = list[tuple[dict[str, str], bytes]]


class Stopped:
    def now(self) -> float:
        return 1_767_225_600.0


@contextmanager
def receiver(
    status: int = 204, body: bytes = b"", headers: tuple[tuple[str, str], ...] = ()
) -> Iterator[tuple[str, Seen]]:
    seen: Seen = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            seen.append(
                ({name.lower(): value for name, value in self.headers.items()}, self.rfile.read(length))
            )
            self.send_response(status)
            for name, value in headers:
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"webhook+http://127.0.0.1:{server.server_address[1]}/tickets?k=s3cret", seen
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def channel(url: str, secret: Callable[[], str] = lambda: SECRET) -> WebhookChannel:
    return WebhookChannel("tickets", url, secret, SystemClock(), timeout=2.0)


def test_a_receiver_verifies_what_we_sign_and_knows_a_repeat_by_its_id() -> None:
    with receiver() as (url, seen):
        one = channel(url)
        one.send(ALERT)
        one.send(ALERT)
    (first, body), (second, again) = seen
    read = Webhook(SECRET).verify(body, first)
    assert read == {"form": "f", "a": 1, "key": ALERT.key, "event": 7, "link": None}
    assert (first["webhook-id"], second["webhook-id"]) == (ALERT.key, ALERT.key)
    assert body == again


@pytest.mark.parametrize("part", ["body", "id", "time", "secret"])
def test_a_receiver_refuses_what_somebody_else_made_of_it(part: str) -> None:
    with receiver() as (url, seen):
        channel(url).send(ALERT)
    headers, body = seen[0]
    secret = SECRET
    if part == "body":
        body = body.replace(b"1", b"2", 1)
    elif part == "secret":
        secret = "whsec_" + base64.b64encode(b"x" * 32).decode()
    else:
        name = {"id": "webhook-id", "time": "webhook-timestamp"}[part]
        headers = {**headers, name: headers[name][:-1] + ("8" if headers[name][-1] == "9" else "9")}
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body, headers)


def test_an_old_message_that_is_played_again_is_refused() -> None:
    with receiver() as (url, seen):
        WebhookChannel("tickets", url, lambda: SECRET, Stopped(), timeout=2.0).send(ALERT)
    headers, body = seen[0]
    with pytest.raises(WebhookVerificationError, match="too old"):
        Webhook(SECRET).verify(body, headers)


@pytest.mark.parametrize("status", [301, 400, 404, 410, 429, 500, 503])
def test_anything_but_yes_is_no(status: int) -> None:
    where = (("Location", "http://127.0.0.1:9/elsewhere"),)
    with receiver(status, b"go\naway", where) as (url, seen), pytest.raises(DeliveryError) as told:
        channel(url).send(ALERT)
    assert str(told.value) == f"tickets: answered {status} 'go away'"
    assert len(seen) == 1


def test_nobody_there_is_told_without_the_address() -> None:
    with pytest.raises(DeliveryError) as told:
        channel(f"webhook+http://127.0.0.1:{free_port()}/s3cret").send(ALERT)
    assert "s3cret" not in str(told.value)


def test_text_for_people_is_sent_as_a_notice() -> None:
    with receiver() as (url, seen):
        channel(url).send(Alert("test", "", "[TEST] title", "This is a test.", "low", 0.0))
    assert json.loads(seen[0][1]) == {
        "form": "cushionwatch.notice.1", "title": "[TEST] title", "text": "This is a test.", "severity": "low",
        "key": "test", "event": None, "link": None,
    }  # fmt: skip


@pytest.mark.parametrize(
    "url",
    ["webhook+http://example.org/x", "webhook+ftp://127.0.0.1/x", "webhook+https://", "webhook+https:///x"],
)
def test_an_address_on_which_others_could_read_along_is_refused(url: str) -> None:
    with pytest.raises(SettingsError, match="webhook"):
        channel(url)


@pytest.mark.parametrize("secret", ["", "whsec_", "whsec_c2hvcnQ=", "whsec_!!!", SECRET[6:]])
def test_a_secret_that_is_none_is_refused_and_not_shown(secret: str) -> None:
    with pytest.raises(SettingsError) as told:
        channel("webhook+https://example.org/x", lambda: secret)
    assert "c2hvcnQ" not in str(told.value)


def test_a_changed_secret_counts_at_once(tmp_path: Path) -> None:
    file = tmp_path / "secret"
    file.write_text(SECRET + "\n")
    with receiver() as (url, seen):
        one = channel(url, file.read_text)
        file.write_text("gone wrong")
        with pytest.raises(DeliveryError, match="the secret of a webhook"):
            one.send(ALERT)
        other = "whsec_" + base64.b64encode(b"y" * 24).decode()
        file.write_text(other)
        one.send(ALERT)
    Webhook(other).verify(seen[0][1], seen[0][0])
    assert len(read_secret(other)) == 24


def service_file(folder: Path, url: str, more: str) -> Path:
    for name in ("sites", "var"):
        (folder / name).mkdir()
    (folder / "sites" / "mill.toml").write_text('id = "mill-3"\ncustomer = "Miller"\n')
    (folder / "secret").write_text(SECRET)
    (folder / "secret").chmod(0o600)
    path = folder / "service.toml"
    path.write_text(
        f'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n[alerts.channels.tickets]\nurl = "{url}"\n{more}'
    )
    return path


def test_a_channel_of_the_service_file_sends_a_finding_in_the_promised_form(tmp_path: Path) -> None:
    report = Report("mill-3", 0.0, 60.0, 2, Verdict.FAULT, "", (), None, 410.0, (), (), None, None, 5)
    found = Finding(Fault.AIR_CUSHION_LOST, 0.0, 60.0, Severity.HIGH, 0.97, "seen", "act", "care")
    with receiver() as (url, seen):
        settings = load_service(service_file(tmp_path, url, 'secret_file = "secret"\n'))
        way = dispatch_of(settings)
        compose = composer(way.book, way.voices, lambda _: report, SystemClock())
        alert = compose(settings.sites["mill-3"], found)["tickets"]
        (one,) = build_channels(way.book.recipients, sys.stdout)
        one.send(replace(alert, event=7, link="https://example.org/x"))
    headers, body = seen[0]
    read = Webhook(SECRET).verify(body, headers)
    jsonschema.validate(read, schema())
    assert (read["fault"], read["event"], read["link"]) == ("air_cushion_lost", 7, "https://example.org/x")
    assert read["site"]["customer"] == "Miller"
    assert SECRET[6:] not in repr(way.book)


@pytest.mark.parametrize(
    ("url", "more", "what"),
    [
        ("webhook+https://example.org/x", "", "needs secret_file"),
        ("json://example.org/x", 'secret_file = "secret"\n', r"begins with webhook\+"),
    ],
)
def test_address_and_secret_go_together(tmp_path: Path, url: str, more: str, what: str) -> None:
    with pytest.raises(CushionwatchError, match=what):
        load_service(service_file(tmp_path, url, more))
