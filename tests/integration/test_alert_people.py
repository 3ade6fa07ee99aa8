"""People and their wishes on a real store with real receivers: groups, digests, escalations, pictures, crashes."""

from __future__ import annotations

import dataclasses
import os
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import apsw
import pytest
from broker import wait_until
from sinks import HttpSink, http_sink, smtp_sink

from monitor.alerting import clerk
from monitor.alerting.care import Care
from monitor.alerting.channels import AppriseChannel
from monitor.alerting.clerk import Clerk, Office
from monitor.alerting.people import Book, Manner, Recipient, Rule
from monitor.alerting.routing import alerts_of
from monitor.alerting.sender import BackOff, OutboxSender
from monitor.alerting.timers import Fleet
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.service.lifecycle_records import Act
from monitor.service.ports import Alert
from monitor.site import Site
from monitor.store import schema
from monitor.store.sqlite import SqliteStore

ROOT = Path(__file__).parents[2]
DAY = 86_400.0
NOON = 1_772_452_800.0
"""2026-03-02T12:00:00Z."""
SITES = {f"s{number}": Site(id=f"s{number}", address=f"Mill Lane {number}") for number in range(500)}
REPORT = Report(
    site="s1", start=None, end=None, samples=0, verdict=Verdict.BLIND, verdict_why="", air_charge=(),
    worst_case_peak_kpa=None, supply_kpa=None, findings=(), blind=(), forecast=None, last_window=None, windows=0,
)  # fmt: skip
PLAIN = Manner(digest="off", group=120.0)


class Hand:
    """A clock that is set by hand."""

    def __init__(self, time: float = NOON) -> None:
        self.time = time

    def now(self) -> float:
        return self.time


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    yield opened
    opened.close()


def office(book: Book) -> Office:
    fleet = Fleet(watched=500, blind=("s3",), faults=2)
    return Office(book, {}, SITES, lambda _: REPORT, lambda: fleet)


def raise_at(store: SqliteStore, book: Book, site: str, now: float, **changes: object) -> None:
    found = Finding(Fault.BLIND, now, now, Severity.MEDIUM, 0.97, "", "", "")
    finding = dataclasses.replace(found, **changes)  # type: ignore[arg-type]
    alerts = alerts_of(book, {}, SITES[site], finding, REPORT, now)
    if finding.ended is None:
        assert store.raise_event(site, finding, alerts) is not None
    else:
        assert store.end_event(site, finding, alerts) is not None


@contextmanager
def sending(
    store: SqliteStore, book: Book, urls: Mapping[str, str], clock: Hand, pictures: tuple[bytes, ...] = ()
) -> Iterator[OutboxSender]:
    def finish(alert: Alert) -> Alert:
        return dataclasses.replace(alert, pictures=pictures)

    shared = office(book)
    care = {one.name: Care(Clerk(one, shared, store), finish) for one in book.recipients}
    channels = [AppriseChannel(name, url) for name, url in urls.items()]
    quick = BackOff(first=0.0, longest=0.0, attempts=5)  # the clock stands still
    sender = OutboxSender(
        store, channels, clock, lambda: 0.5, back_off=quick, care=care, poll=0.01, spacing=0.0
    )
    sender.start()
    try:
        yield sender
    finally:
        sender.stop()


def nothing_owed(store: SqliteStore) -> bool:
    return not store.due_deliveries(1e16, 1)


def test_five_hundred_silent_sites_are_one_message_that_names_them(store: SqliteStore) -> None:
    book = Book([Recipient("anna", "", manner=PLAIN)])
    clock = Hand()
    with http_sink() as sink, sending(store, book, {"anna": sink.url}, clock):
        for number, site in enumerate(SITES):
            clock.time = NOON + number / 10
            raise_at(store, book, site, clock.time)
        clock.time += 121
        wait_until(lambda: nothing_owed(store), what="the group is sent")
        assert sink.titles == ["[MEDIUM] 500 sites: site is not watched at present"]
    text = sink.received[0]["message"]
    assert "s7, Mill Lane 7" in text
    assert "and 450 more" in text
    for number in (1, 500):
        assert [change.why for change in store.event_changes(number) if change.act is Act.TOLD] == [
            "told anna"
        ]


def test_a_group_that_is_refused_or_slow_arrives_and_an_urgent_alert_does_not_wait_for_it(
    store: SqliteStore,
) -> None:
    book = Book([Recipient("anna", "", manner=PLAIN)])
    for number in range(3):
        raise_at(store, book, f"s{number}", NOON)
    clock = Hand(NOON + 121)
    with http_sink() as sink:
        sink.answers += [500, 401, "slow"]
        with sending(store, book, {"anna": sink.url}, clock):
            wait_until(lambda: nothing_owed(store), what="the group is sent")
            raise_at(store, book, "s9", clock.time, severity=Severity.HIGH, fault=Fault.AIR_CUSHION_LOST)
            wait_until(lambda: nothing_owed(store), what="the urgent one is sent")
    group = "[MEDIUM] 3 sites: site is not watched at present"
    assert sink.titles == [group, group, group, "[HIGH] s9: expansion tank has lost its air cushion"]


def test_a_channel_for_programs_gets_each_of_them(store: SqliteStore) -> None:
    book = Book([Recipient("hook", "")])
    for number in range(5):
        raise_at(store, book, f"s{number}", NOON)
    with http_sink() as sink, sending(store, book, {"hook": sink.url}, Hand()):
        wait_until(lambda: nothing_owed(store), what="sent")
        assert len(sink.titles) == 5


def test_the_next_is_called_when_nobody_acknowledges_and_hears_of_the_end(store: SqliteStore) -> None:
    manner = dataclasses.replace(PLAIN, group=0.0)
    people = [Recipient(name, "", manner=manner) for name in ("anna", "bert")]
    book = Book(people, [Rule(["anna"], ["bert"])])
    clock = Hand()
    raise_at(store, book, "s1", NOON)
    raise_at(store, book, "s2", NOON)
    store.acknowledge_event(2, "anna", NOON)
    with (
        http_sink() as one,
        http_sink() as two,
        sending(store, book, {"anna": one.url, "bert": two.url}, clock),
    ):
        wait_until(lambda: len(one.titles) == 2, what="the first is told")
        clock.time = NOON + 7 * DAY - 1
        wait_until(lambda: nothing_owed(store), what="all told")
        assert two.titles == []
        clock.time = NOON + 7 * DAY + 11
        wait_until(lambda: two.titles, what="the next is told")
        assert two.titles == ["[UNANSWERED] [MEDIUM] s1: site is not watched at present"]
        assert "Told before you: anna." in two.received[0]["message"]
        raise_at(store, book, "s1", NOON, ended=NOON + 8 * DAY)
        raise_at(store, book, "s2", NOON, ended=NOON + 8 * DAY)
        wait_until(lambda: len(one.titles) == 4 and len(two.titles) == 2, what="the end is told")
        wait_until(lambda: nothing_owed(store), what="all told")
        assert two.titles[1:] == ["[OVER] s1: site is not watched at present"]
    escalated = [change.why for change in store.event_changes(1) if change.act is Act.ESCALATED]
    assert escalated == ["nobody has acknowledged it in time: bert is next, after anna"]
    assert not [change for change in store.event_changes(2) if change.act is Act.ESCALATED]


def test_the_digest_and_the_heartbeat_come_once_whatever_is_restarted(store: SqliteStore) -> None:
    manner = Manner(digest_at=13 * 60, heartbeat=12 * 60)
    book = Book([Recipient("anna", "", manner=manner)])
    clock = Hand()
    for number in range(3):
        raise_at(store, book, f"s{number}", NOON + number, severity=Severity.LOW)
    with http_sink() as sink:
        for minutes in (0, 30, 59, 61, 62, 300):
            clock.time = NOON + 60.0 * minutes
            with sending(store, book, {"anna": sink.url}, clock):
                wait_until(lambda: not store.due_deliveries(clock.time, 1) and sink.titles, what="sent")
                if minutes > 60:
                    wait_until(lambda: nothing_owed(store), what="the digest is sent")
        assert sink.titles == ["[ALIVE] 500 sites watched, 1 blind", "[DIGEST] 3 events"]
    assert "If it does not come, nothing is watched" in sink.received[0]["message"]
    assert store.due_deliveries(1e16, 1) == []


def test_pictures_arrive_with_a_mail_and_a_web_hook(store: SqliteStore) -> None:
    from monitor.web.evidence import SIZE  # noqa: PLC0415
    from monitor.web.png import png  # noqa: PLC0415

    picture = png(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{SIZE[0]}" height="{SIZE[1]}"></svg>', zoom=1
    )
    book = Book([Recipient("hook", ""), Recipient("mail", "")])
    raise_at(store, book, "s1", NOON)
    with http_sink() as hook, smtp_sink() as mail:
        urls = {"hook": hook.url, "mail": f"{mail.url}&format=text"}
        with sending(store, book, urls, Hand(), (picture,)):
            wait_until(lambda: nothing_owed(store), what="sent")
    (part,) = [one for one in mail.received[0].walk() if one.get_content_type() == "image/png"]
    assert part.get_payload(decode=True) == picture
    assert hook.received[0]["attachments"][0]["mimetype"] == "image/png"


def test_a_picture_that_cannot_be_drawn_stops_no_alert(store: SqliteStore) -> None:
    book = Book([Recipient("hook", "")])
    raise_at(store, book, "s1", NOON)

    def broken(_: Alert) -> Alert:
        raise RuntimeError

    with http_sink() as sink:
        care = {"hook": Care(Clerk(book.recipients[0], office(book), store), broken)}
        sender = OutboxSender(
            store, [AppriseChannel("hook", sink.url)], Hand(), lambda: 0.5, care=care, poll=0.01, spacing=0.0
        )
        sender.start()
        wait_until(lambda: nothing_owed(store), what="sent")
        assert sender.stop()
        assert len(sink.titles) == 1


def test_what_cannot_be_arranged_goes_alone_and_at_once(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(clerk, "plan", broken)
    monkeypatch.setattr(clerk, "heartbeats", broken)
    book = Book([Recipient("anna", "", manner=dataclasses.replace(PLAIN, heartbeat=0))])
    for number in range(3):
        raise_at(store, book, f"s{number}", NOON)
    with http_sink() as sink, sending(store, book, {"anna": sink.url}, Hand()):
        wait_until(lambda: nothing_owed(store), what="sent")
        assert len(sink.titles) == 3
    assert "cannot be arranged" in caplog.text


def test_what_a_person_was_owed_before_goes_at_once_when_the_person_becomes_a_channel(
    store: SqliteStore,
) -> None:
    for number in range(3):
        raise_at(store, Book([Recipient("anna", "", manner=PLAIN)]), f"s{number}", NOON)
    assert store.due_deliveries(NOON + DAY, 1) == []
    with http_sink() as sink, sending(store, Book([Recipient("anna", "")]), {"anna": sink.url}, Hand()):
        wait_until(lambda: nothing_owed(store), what="sent")
        assert len(sink.titles) == 3


def test_alerts_that_an_older_version_owed_are_still_owed(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    old = apsw.Connection(str(path))
    schema.prepare(old, schema.MIGRATIONS[:4])
    raised = (
        "INSERT INTO event (site, fault, raised_us, state, finding) VALUES ('s1', 'blind', 0, 'normal', '{}')"
    )
    old.execute(raised)
    for number, state in enumerate(("delivered", "owed", "dead"), 1):
        old.execute(
            "INSERT INTO delivery (event, channel, key, site, title, body, severity, created, state) "
            "VALUES (1, 'anna', ?, 's1', 't', 'b', 'high', 1.0, ?)",
            (f"k{number}", state),
        )
    old.close()
    store = SqliteStore(path)
    try:
        (owed,) = store.due_deliveries(1e16, 10)
        assert (owed.id, owed.alert.key, owed.alert.event, owed.alert.urgent) == (2, "k2", 1, False)
        assert [one.alert.key for one in store.dead_letters()] == ["k3"]
        assert store.integrity() == []
    finally:
        store.close()


CHILD = """
import os, pathlib, random, signal, sys, time
sys.path.insert(0, "tests/integration")
import json, urllib.request
from monitor.alerting.clerk import Clerk
from monitor.alerting.people import Book, Manner, Recipient
from monitor.alerting.care import Care
from monitor.alerting.sender import BackOff, OutboxSender
from monitor.store import schema
from monitor.store.sqlite import SqliteStore
from test_alert_people import Hand, NOON, office

die = sys.argv[3]

class Mortal(SqliteStore):
    def delivered(self, delivery, when):
        if die == "sent":
            os.kill(os.getpid(), signal.SIGKILL)  # sent, and not struck off
        super().delivered(delivery, when)

    def arrange(self, channel, plan):
        super().arrange(channel, plan)
        if plan.merges and die == "merged":
            os.kill(os.getpid(), signal.SIGKILL)  # put together, and not sent

class Hook:
    name = "anna"

    def send(self, alert):
        body = json.dumps({"title": alert.title, "key": alert.key}).encode()
        urllib.request.urlopen(urllib.request.Request(sys.argv[2], body), timeout=10).close()

store = Mortal(pathlib.Path(sys.argv[1]))
who = Recipient("anna", "", manner=Manner(digest_at=13 * 60, heartbeat=12 * 60))
clock = Hand(NOON + 86400.0)
care = {"anna": Care(Clerk(who, office(Book([who])), store), lambda alert: alert)}
sender = OutboxSender(store, [Hook()], clock, random.random, care=care,
    back_off=BackOff(first=0.02, longest=0.05), poll=0.01, spacing=0.0)
sender.start()
until = time.monotonic() + 30
while time.monotonic() < until and store.due_deliveries(1e16, 1):
    time.sleep(0.01)
sender.stop()
"""


def run_child(store: SqliteStore, sink: HttpSink, die: str) -> int:
    arguments = [sys.executable, "-c", CHILD, str(store.path), f"http://127.0.0.1:{sink.port}", die]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(arguments, cwd=ROOT, env=environment, timeout=90, check=False).returncode


def test_kills_repeat_a_group_and_a_digest_once_each_and_lose_nothing(store: SqliteStore) -> None:
    book = Book([Recipient("anna", "", manner=Manner(digest_at=13 * 60))])
    for number in range(8):
        severity = Severity.LOW if number < 4 else Severity.MEDIUM
        fault = Fault.AIR_CHARGE_HIGH if number < 4 else Fault.BLIND
        raise_at(store, book, f"s{number}", NOON, severity=severity, fault=fault)
    # The digest of that day is held by a first look at its own time.
    Clerk(book.recipients[0], office(book), store).look(NOON)
    kills = 0
    with http_sink() as sink:
        for die in ("merged", "sent", "sent", "sent", "never"):
            code = run_child(store, sink, die)
            kills += code == -signal.SIGKILL
        counts = Counter(sink.titles)
    assert kills >= 3
    assert set(counts) == {
        "[ALIVE] 500 sites watched, 1 blind",
        "[MEDIUM] 4 sites: site is not watched at present",
        "[DIGEST] 4 events",
    }
    assert sum(counts.values()) <= 3 + kills
    assert len({(one["title"], one["key"]) for one in sink.received}) == 3
    assert nothing_owed(store)
