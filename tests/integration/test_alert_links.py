"""From the settings to a message with a link and pictures, and from its link back to the event."""

from __future__ import annotations

import base64
import io
import re
import stat
from collections.abc import Iterator
from pathlib import Path

import httpx
import numpy as np
import pytest
from broker import wait_until
from sinks import http_sink

from monitor.alerting.channels import build_channels
from monitor.alerting.routing import alerts_of
from monitor.alerting.sender import OutboxSender
from monitor.alerting.timers import Fleet
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.dispatch import Dispatch, Known, cares, dispatch_of
from monitor.errors import InputError, StoreError
from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.service.ports import Event, EventState, ServiceHealth, SourceHealth
from monitor.service.settings import load_service
from monitor.service.tickets import HOLDS, Ticket, check, issue
from monitor.store.secret import NAME, secret_in
from monitor.store.sqlite import SqliteStore
from monitor.web.evidence import burns, evidence
from monitor.web.serve import PageServer, listen
from monitor.web.server import create_app

T0 = 1_772_323_200.0
SITE = """
id = "mill-3"
name = "Mill Lane"
customer = "Miller"
address = "Mill Lane 3, Leeds"
timezone = "Europe/London"
unit = "bar"
[heater]
volume = "150 L"
input = "11.7 kW"
setpoint = "54 degC"
[supply]
pressure = "4 bar"
[relief]
setting = "10 bar"
"""
LOST = Finding(Fault.AIR_CUSHION_LOST, T0, T0, Severity.HIGH, 0.97, "It rises by 2.0 bar.", "", "")
REPORT = Report(
    site="mill-3", start=T0, end=T0, samples=9, verdict=Verdict.FAULT, verdict_why="",
    air_charge=(ChargeEstimate(T0 - 86_400, 310.0, 280.0, 350.0, 3), ChargeEstimate(T0, 300.0, 280.0, 350.0, 5)),
    worst_case_peak_kpa=905.0, supply_kpa=400.0, findings=(LOST,), blind=(), forecast=None, last_window=T0, windows=5,
)  # fmt: skip
SECRET = b"s" * 32


class Board:
    """What the page needs to acknowledge, on a real store."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store

    def acknowledge(self, number: int, who: str) -> Event | None:
        return self._store.acknowledge_event(number, who, SystemClock().now())

    def health(self) -> ServiceHealth:
        return ServiceHealth(
            0.0, SourceHealth(alive=True, connected=True, last_message=None, detail=""), 0, 0
        )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    readings = []
    for step in range(600):
        time = T0 - 6000 + 10 * step
        readings.append(Reading("mill-3", Point.PRESSURE, time, 400_000.0 + 1000.0 * (step % 50)))
        readings.append(Reading("mill-3", Point.HEATER, time, float(step % 100 < 50)))
    opened.commit(readings, [])
    yield opened
    opened.close()


def settings(tmp_path: Path, url: str, address: str) -> Dispatch:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "a.toml").write_text(SITE)
    file = tmp_path / "service.toml"
    file.write_text(
        f'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n[web]\naddress = "{address}"\n'
        f'[people.anna]\nurl = "{url}"\nunits = "US"\nlanguage = "de"\ntimezone = "Europe/Berlin"\n'
        '[[alerts.rules]]\ncustomers = ["Miller"]\ntell = ["anna"]\n'
    )
    return dispatch_of(load_service(file), SECRET)


def test_a_message_brings_a_link_that_acknowledges_by_its_button_alone(
    store: SqliteStore, tmp_path: Path
) -> None:
    clock = SystemClock()
    page = PageServer(create_app(Board(store), clock, secret=SECRET), listen("127.0.0.1", 0, search=False))  # type: ignore[arg-type]
    page.start()
    try:
        with http_sink() as sink:
            dispatch = settings(tmp_path, sink.url, page.url)
            sites = load_service(tmp_path / "service.toml").sites
            alerts = alerts_of(dispatch.book, dispatch.voices, sites["mill-3"], LOST, REPORT, T0)
            assert store.raise_event("mill-3", LOST, alerts) is not None
            known = Known(sites, lambda _: REPORT, lambda: Fleet(1))
            care = cares(dispatch, known, store, clock)
            channels = build_channels(dispatch.book.recipients, io.StringIO())
            sender = OutboxSender(store, channels, clock, lambda: 0.5, care=care, poll=0.01, spacing=0.0)
            sender.start()
            wait_until(lambda: sink.received and not store.due_deliveries(1e16, 1), what="sent")
            assert sender.stop()
        (message,) = sink.received
        assert message["title"] == "[HOCH] Mill Lane: Ausdehnungsgefaess hat sein Luftpolster verloren"
        for words in (
            "It rises by 29 psi.",
            "Adresse: Mill Lane 3, Leeds",
            "01:00 CET",
            "Ereignis 1, Kennung mill-3/",
        ):
            assert words in message["message"]
        pictures = [base64.b64decode(one["base64"]) for one in message["attachments"]]
        assert [one[:8] for one in pictures] == [b"\x89PNG\r\n\x1a\n"] * 2
        found = re.search(r"http://\S+/acknowledge/\S+", message["message"])
        assert found
        link = found[0]
        wait_until(lambda: page.ready, what="the page is up")
        for _ in range(3):  # as scanners of mail do
            assert "Acknowledge event 1?" in httpx.get(link).text
        event = store.event(1)
        assert event is not None
        assert event.state is EventState.ACTIVE_UNACKNOWLEDGED
        assert httpx.post(link[:-3]).status_code == 403
        assert httpx.post(link, headers={"Origin": "https://elsewhere.example"}).status_code == 403
        event = store.event(1)
        assert event is not None
        assert event.state is EventState.ACTIVE_UNACKNOWLEDGED
        assert "Event 1 is acknowledged" in httpx.post(link).text
        assert "Event 1 is acknowledged" in httpx.post(link).text
        event = store.event(1)
        assert event is not None
        assert event.state is EventState.ACTIVE_ACKNOWLEDGED
        acknowledged = [change for change in store.event_changes(1) if change.why == "acknowledged"]
        assert [change.who for change in acknowledged] == ["anna"]
    finally:
        page.stop()


def test_without_an_address_there_is_no_link(store: SqliteStore, tmp_path: Path) -> None:
    dispatch = settings(tmp_path, "json://127.0.0.1/x", "http://x")
    bare = Dispatch(dispatch.book, dispatch.voices, None, SECRET)
    sites = load_service(tmp_path / "service.toml").sites
    alert = alerts_of(bare.book, bare.voices, sites["mill-3"], LOST, REPORT, T0)["anna"]
    known = Known(sites, lambda _: REPORT, lambda: Fleet(1))
    finished = cares(bare, known, store, SystemClock())["anna"].finish(alert)
    assert finished.link == ""
    assert len(finished.pictures) == 2


# ---- tickets and their secret


def test_a_ticket_holds_for_its_event_and_its_time_alone() -> None:
    ticket = Ticket(7, "anna", T0 + HOLDS)
    text = issue(SECRET, ticket)
    assert check(SECRET, text, T0) == ticket
    assert check(SECRET, text, T0 + HOLDS) == ticket
    with pytest.raises(InputError, match="has expired"):
        check(SECRET, text, T0 + HOLDS + 1)
    other = issue(SECRET, Ticket(8, "anna", T0 + HOLDS))
    mixed = f"{other.partition('.')[0]}.{text.partition('.')[2]}"
    for wrong in (
        mixed,
        text[:-1],
        text + "A",
        "",
        ".",
        "a.b",
        "\u00e9.\u00e9",
        "x" * 5000,
        issue(b"t" * 32, ticket),
    ):
        with pytest.raises(InputError, match="was not made here"):
            check(SECRET, wrong, T0)


def test_the_secret_is_made_once_and_for_its_owner_alone(tmp_path: Path) -> None:
    secret = secret_in(tmp_path)
    assert len(secret) == 32
    assert secret_in(tmp_path) == secret
    assert stat.S_IMODE((tmp_path / NAME).stat().st_mode) == 0o600
    assert [path.name for path in tmp_path.iterdir()] == [NAME]
    (tmp_path / NAME).chmod(0o644)
    with pytest.raises(StoreError, match="can be read by others"):
        secret_in(tmp_path)
    (tmp_path / NAME).chmod(0o600)
    (tmp_path / NAME).write_bytes(b"short")
    with pytest.raises(StoreError, match="is damaged"):
        secret_in(tmp_path)


# ---- pictures


def test_burns_are_the_spans_in_which_the_heater_is_on() -> None:
    time = np.array([0.0, 10.0, 20.0, 30.0, 40.0, 5000.0, 5010.0])
    on = np.array([0.0, 1.0, 1.0, 0.0, 1.0, 0.0, 1.0])
    # The last word of a heater is believed for half an hour; the newest one spans nothing yet.
    assert list(burns(time, on)) == [(10.0, 30.0), (40.0, 1840.0), (5010.0, 5010.0)]


def test_nothing_is_drawn_where_nothing_was_read(store: SqliteStore, tmp_path: Path) -> None:
    settings(tmp_path, "json://127.0.0.1/x", "http://x")
    site = load_service(tmp_path / "service.toml").sites["mill-3"]
    empty = np.array([])
    nothing = Report(**{**{name: getattr(REPORT, name) for name in REPORT.__slots__}, "air_charge": ()})
    assert evidence(site, nothing, None, lambda *_: (empty, empty)) == []
    assert len(evidence(site, REPORT, T0, lambda *_: (empty, empty))) == 1
