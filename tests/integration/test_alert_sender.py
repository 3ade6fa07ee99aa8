"""The sender between a real store and real receivers: all arrives, whatever fails on the way."""

from __future__ import annotations

import dataclasses
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from broker import wait_until
from sinks import HttpSink, http_sink

from monitor.alerting.channels import AppriseChannel
from monitor.alerting.sender import BackOff, OutboxSender
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.errors import DeliveryError, StoreError
from monitor.service.clock import SystemClock
from monitor.service.ports import Alert, AlertChannel
from monitor.store.sqlite import SqliteStore

ROOT = Path(__file__).parents[2]
QUICK = BackOff(first=0.02, longest=0.05, attempts=5)


def finding(number: int) -> Finding:
    # Weeks apart, so that it does not count as coming and going.
    return Finding(Fault.BLIND, 0.0, number * 8 * 86_400.0, Severity.LOW, 0.5, "", "", "")


def owe(store: SqliteStore, number: int, *names: str) -> None:
    alert = Alert(f"key-{number}", "mill-3", f"title {number}", "b", "low", 0.0)
    assert store.raise_event("mill-3", finding(number), dict.fromkeys(names, alert)) is not None


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    yield opened
    opened.close()


@contextmanager
def running(
    store: SqliteStore,
    *channels: AlertChannel,
    back_off: BackOff = QUICK,
    chance: Callable[[], float] = lambda: 0.5,
) -> Iterator[OutboxSender]:
    sender = OutboxSender(store, channels, SystemClock(), chance, back_off=back_off, poll=0.01, spacing=0.0)
    sender.start()
    try:
        yield sender
    finally:
        sender.stop()


class Fake:
    """A channel in memory that does what it is told: an exception is raised, a function called."""

    def __init__(self, name: str, *script: BaseException | Callable[[], object]) -> None:
        self.name = name
        self.sent: list[str] = []
        self._script = list(script)

    def send(self, alert: Alert) -> None:
        step = self._script.pop(0) if self._script else None
        if isinstance(step, BaseException):
            raise step
        if step is not None:
            step()
        self.sent.append(alert.key)


def nothing_owed(store: SqliteStore) -> bool:
    return not store.due_deliveries(1e12, 10)


def test_what_is_owed_arrives_once_in_order_on_each_channel(store: SqliteStore) -> None:
    for number in range(4):
        owe(store, number, "hook", "other")
    with http_sink() as one, http_sink() as two:
        with running(store, AppriseChannel("hook", one.url), AppriseChannel("other", two.url)) as sender:
            wait_until(lambda: nothing_owed(store), what="all sent")
            assert sender.problems() == []
        assert one.titles == two.titles == [f"title {number}" for number in range(4)]
        assert "Event 1, reference key-0." in one.received[0]["message"]


def test_an_alert_that_comes_later_is_sent_at_once_when_the_sender_is_woken(store: SqliteStore) -> None:
    channel = Fake("screen")
    sender = OutboxSender(store, [channel], SystemClock(), lambda: 0.5, poll=60.0, spacing=0.0)
    sender.start()
    time.sleep(0.05)  # the first look is over, the thread waits
    owe(store, 1, "screen")
    sender.wake()
    wait_until(lambda: channel.sent, timeout=5, what="sent")
    assert sender.stop()


def test_errors_and_hangs_are_tried_again_until_it_has_arrived(store: SqliteStore) -> None:
    owe(store, 1, "hook")
    with http_sink() as sink:
        sink.answers += [500, "hang", 429]
        with running(store, AppriseChannel("hook", sink.url, timeout=0.2)):
            wait_until(lambda: nothing_owed(store), what="sent")
        assert sink.titles == ["title 1"] * 4
    assert store.dead_letters() == []


def test_a_receiver_that_is_down_gets_it_when_it_is_back(store: SqliteStore) -> None:
    owe(store, 1, "hook")
    with http_sink() as sink:
        url = sink.url
    channel = AppriseChannel("hook", url)
    patient = dataclasses.replace(QUICK, attempts=1000)
    with running(store, channel, back_off=patient) as sender:
        wait_until(sender.problems, what="the failure is told")
        assert sender.problems()[0].startswith("hook: ")
        channel._url = "json://127.0.0.1:1/never"
        with http_sink() as back:
            channel._url = back.url
            wait_until(lambda: nothing_owed(store), what="sent")
        assert back.titles == ["title 1"]
        assert sender.problems() == []


def test_after_the_last_attempt_it_is_a_dead_letter_with_the_reason(store: SqliteStore) -> None:
    owe(store, 1, "screen")
    channel = Fake("screen", *[DeliveryError("screen: refused")] * QUICK.attempts)
    with running(store, channel):
        wait_until(store.dead_letters, what="given up")
        owe(store, 2, "screen")
        wait_until(lambda: channel.sent, what="the next one is sent")
    (dead,) = store.dead_letters()
    assert (dead.attempts, dead.last_error) == (QUICK.attempts, "screen: refused")
    assert channel.sent == ["key-2"]


def test_a_channel_with_a_mistake_in_it_stops_nothing_and_its_text_is_not_kept(store: SqliteStore) -> None:
    owe(store, 1, "screen")
    channel = Fake("screen", ZeroDivisionError("hunter2"), RuntimeError("hunter2"))
    with running(store, channel):
        wait_until(lambda: channel.sent, what="sent at last")
        wait_until(lambda: nothing_owed(store), what="struck off")


def test_a_channel_that_hangs_holds_up_no_other_and_no_stop(store: SqliteStore) -> None:
    for number in range(3):
        owe(store, number, "stuck", "screen")
    release = threading.Event()
    stuck, screen = Fake("stuck", lambda: release.wait(60)), Fake("screen")
    try:
        with running(store, stuck, screen) as sender:
            wait_until(lambda: len(screen.sent) == 3, what="the other channel is served")
            begun = time.monotonic()
            assert not sender.stop()
            assert time.monotonic() - begun < 2.5
        assert [delivery.channel for delivery in store.due_deliveries(1e12, 10)] == ["stuck"] * 3
    finally:
        release.set()


def test_a_stop_is_quick_during_a_long_wait(store: SqliteStore) -> None:
    sender = OutboxSender(store, [Fake("screen")], SystemClock(), lambda: 0.5, poll=60.0)
    sender.start()
    begun = time.monotonic()
    assert sender.stop()
    assert time.monotonic() - begun < 1
    assert sender.problems() == ["alerts to screen are not being sent; restart the service"]


def test_what_is_owed_to_a_channel_that_is_gone_is_given_up_at_the_start(store: SqliteStore) -> None:
    owe(store, 1, "gone", "screen")
    with running(store, Fake("screen")):
        wait_until(lambda: nothing_owed(store), what="sent")
    (dead,) = store.dead_letters()
    assert dead.last_error == "the channel 'gone' is not in the settings"


class FullStore(SqliteStore):
    """A store whose disk is full for the first notes."""

    refusals = 3

    def delivered(self, delivery: int, when: float) -> None:
        if self.refusals > 0:
            self.refusals -= 1
            raise StoreError("the disk is full")
        super().delivered(delivery, when)


def test_a_full_disk_does_not_send_the_same_alert_again_and_again(tmp_path: Path) -> None:
    store = FullStore(tmp_path / "store.db")
    owe(store, 1, "screen")
    owe(store, 2, "screen")
    channel = Fake("screen")
    with running(store, channel):
        wait_until(lambda: nothing_owed(store), what="struck off")
    assert channel.sent == ["key-1", "key-2"]
    assert store.refusals == 0
    store.close()


CHILD = """
import json, os, pathlib, random, signal, sys, time, urllib.request
from monitor.alerting.sender import BackOff, OutboxSender
from monitor.service.clock import SystemClock
from monitor.store.sqlite import SqliteStore

class Mortal(SqliteStore):
    left = int(sys.argv[3])

    def delivered(self, delivery, when):
        self.left -= 1
        if self.left == 0:
            os.kill(os.getpid(), signal.SIGKILL)  # sent, and not struck off
        super().delivered(delivery, when)

class Hook:  # not apprise, which takes a second to load for each of many children
    name = "hook"

    def send(self, alert):
        body = json.dumps({"title": alert.title}).encode()
        urllib.request.urlopen(urllib.request.Request(sys.argv[2], body), timeout=10).close()

store = Mortal(pathlib.Path(sys.argv[1]))
sender = OutboxSender(
    store, [Hook()], SystemClock(), random.random,
    back_off=BackOff(first=0.02, longest=0.05), poll=0.01, spacing=0.0)
sender.start()
while store.due_deliveries(1e12, 1):
    time.sleep(0.01)
sender.stop()
"""


def run_child(store: SqliteStore, sink: HttpSink, dies_at: int) -> int:
    arguments = [sys.executable, "-c", CHILD, str(store.path), f"http://127.0.0.1:{sink.port}", str(dies_at)]
    return subprocess.run(arguments, cwd=ROOT, timeout=60, check=False).returncode


def test_a_kill_between_send_and_note_repeats_one_alert_and_loses_none(store: SqliteStore) -> None:
    total = int(os.environ.get("ALERT_KILL_TOTAL", "10"))  # a nightly run asks for more
    for number in range(total):
        owe(store, number, "hook")
    rng = random.Random(random.randrange(1 << 32))  # from the seed that the run prints at its top
    kills = 0
    with http_sink() as sink:
        while run_child(store, sink, rng.randint(1, 3)) == -signal.SIGKILL:
            kills += 1
    counts = Counter(sink.titles)
    assert kills >= 1
    assert set(counts) == {f"title {number}" for number in range(total)}
    assert sum(counts.values()) == total + kills
    assert nothing_owed(store)


@pytest.mark.parametrize(
    ("failed", "chance", "wait"),
    [(1, 0.0, 2.5), (1, 0.999999, 5.0), (2, 1.0, 10.0), (9, 1.0, 900.0), (99, 0.0, 450.0), (100, 0.0, None)],
)
def test_the_wait_doubles_to_a_bound_with_half_of_it_by_chance(
    failed: int, chance: float, wait: float | None
) -> None:
    assert BackOff().wait(failed, chance) == (None if wait is None else pytest.approx(wait, rel=1e-5))
