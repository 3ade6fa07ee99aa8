"""Does a real broker keep what waits for an absent client? With its default limit, as shipped, without leave."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import paho.mqtt.client as paho
import pytest
from broker import HOST, Broker, free_port, running_broker, wait_until
from running import Folder, publish, service
from test_deploy_broker import SERVICE, DeployedBroker

from monitor.ingest.mqtt import MqttSource
from monitor.ingest.probe import TRIED, Kept, Unknown, keeps
from monitor.service.clock import SystemClock
from monitor.service.ports import Message
from monitor.service.settings import BrokerTable

BOTH = pytest.mark.parametrize("protocol", ["5", "3.1.1"])
FILTERS = ("cushionwatch/+/+",)
MOSQUITTOS_OWN = "max_queued_messages 1000"  # its default; the broker of these tests has another one


@contextmanager
def source(broker: Broker, protocol: str = "5", **settings: str) -> Iterator[tuple[BrokerTable, MqttSource]]:
    table = BrokerTable(host=HOST, port=broker.port, protocol=protocol, **settings)
    running = MqttSource(table, FILTERS, SystemClock())
    running.start()
    try:
        wait_until(lambda: running.health().connected, what="connection")
        yield table, running
    finally:
        running.stop()


def check(table: BrokerTable, running: MqttSource, tried: int = TRIED) -> Kept | Unknown:
    return keeps(table, FILTERS, lambda: running.health().connected, lambda: False, tried)


@BOTH
def test_the_default_limit_is_found(tmp_path: Path, protocol: str) -> None:
    with running_broker(tmp_path, MOSQUITTOS_OWN) as broker, source(broker, protocol) as (table, running):
        found = check(table, running)
        assert isinstance(found, Kept), found
        assert 1000 <= found.kept < 1100  # some brokers count what is on its way besides
        assert found.tried == 3000


@BOTH
def test_a_limit_that_is_set_as_shipped_keeps_everything(tmp_path: Path, protocol: str) -> None:
    user, password = SERVICE[1], SERVICE[3]
    broker = DeployedBroker(tmp_path, users={user: password})
    broker.start()
    secret = tmp_path / "secret"
    secret.write_text(password)
    try:
        with source(broker, protocol, username=user, password_file=str(secret)) as (table, running):
            assert check(table, running) == Kept(TRIED, TRIED)
    finally:
        broker.stop()


@BOTH
def test_nothing_of_the_check_is_left_with_the_broker(tmp_path: Path, protocol: str) -> None:
    """A later client of the same name that would take over a session finds none, and nothing comes to it."""
    with running_broker(tmp_path) as broker, source(broker, protocol) as (table, running):
        assert check(table, running, 50) == Kept(50, 50)
        found: list[bool] = []
        done = threading.Event()
        later = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id="cushionwatch-probe", clean_session=False
        )
        later.on_connect = lambda _c, _d, flags, *_: (found.append(flags.session_present), done.set())
        later.connect(HOST, broker.port)
        later.loop_start()
        assert done.wait(10)
        later.disconnect()
        later.loop_stop()
        assert found == [False]


def test_readings_come_as_ever_while_the_check_runs(tmp_path: Path) -> None:
    with running_broker(tmp_path, MOSQUITTOS_OWN) as broker, source(broker) as (table, running):
        found: list[Kept | Unknown] = []
        thread = threading.Thread(target=lambda: found.append(check(table, running)))
        thread.start()
        sent = [b"%d" % number for number in range(300)]
        publish(broker, (("cushionwatch/a/pressure", one) for one in sent), after=20)
        came: list[bytes] = []

        def take() -> bool:
            messages = running.take(100, 0.05)
            running.acknowledge(messages)
            came.extend(message.payload for message in messages)
            return len(came) >= len(sent)

        wait_until(take, timeout=30, what="the readings")
        thread.join(90)
        assert isinstance(found[0], Kept)
        assert came == sent


def test_a_broker_that_does_not_let_us_write_is_told(tmp_path: Path) -> None:
    access = tmp_path / "acl"
    access.write_text("topic read cushionwatch/#\ntopic write cushionwatch/service/cushionwatch/status\n")
    with running_broker(tmp_path, f"acl_file {access}") as broker:
        with source(broker, "5") as (table, running):
            found = check(table, running, 20)
            assert found == Unknown("the broker does not let us write it: Not authorized", again=False)
        with source(broker, "3.1.1") as (table, running):  # confirms all the same
            found = check(table, running, 20)
            assert isinstance(found, Unknown)
            assert "may we write and read it?" in found.why


def test_a_broker_that_gives_each_user_one_session_is_told_and_loses_nothing(tmp_path: Path) -> None:
    """The second client takes the place of the service: what waits there must be there when it comes back."""
    secret = tmp_path / "secret"
    secret.write_text("right")
    users = {"svc": "right", "svc2": "right"}
    with running_broker(tmp_path, "use_username_as_clientid true", users=users) as broker:
        settings = {"username": "svc", "password_file": str(secret)}
        with source(broker, "5", **settings) as (table, running):
            other = {"username": "svc2", "password": users["svc2"]}
            for number in range(5):
                broker.publish("cushionwatch/a/pressure", str(number), **other)
            first: list[Message] = []
            wait_until(lambda: first.extend(running.take(5, 0.05)) or len(first) == 5, what="the readings")
            found = check(table, running, 20)
            assert isinstance(found, Unknown)
            assert "the service lost its connection when the check connected" in found.why
            assert not found.again
            wait_until(lambda: running.health().connected, timeout=20, what="the service's return")
            again: list[Message] = []
            wait_until(lambda: again.extend(running.take(5, 0.05)) or len(again) == 5, what="them again")
            assert [one.payload for one in again] == [b"0", b"1", b"2", b"3", b"4"]


def test_a_filter_that_catches_the_check_is_told_and_nothing_is_sent(tmp_path: Path) -> None:
    table = BrokerTable(host=HOST, port=free_port())
    found = keeps(table, ("a/+", "cushionwatch/#"), lambda: True, lambda: False)
    assert found == Unknown(
        "the filter 'cushionwatch/#' in [[topics]] would read the messages of the check", again=False
    )


def test_a_broker_that_is_away_may_answer_another_time() -> None:
    found = keeps(BrokerTable(host=HOST, port=free_port()), FILTERS, lambda: True, lambda: False)
    assert isinstance(found, Unknown)
    assert found.again
    assert "nothing listens" in found.why


def test_the_service_says_once_that_its_broker_drops_what_waits(tmp_path: Path) -> None:
    with running_broker(tmp_path, MOSQUITTOS_OWN, "sys_interval 1") as broker:
        folder = Folder(tmp_path / "service", broker, 'id = "a"\n')
        with service(folder) as one:
            answer: dict[str, list[str]] = {}

            def warned() -> bool:
                answer.update(httpx.get(f"{folder.url}/readyz", timeout=10).json())
                return bool(answer["warnings"])

            wait_until(warned, timeout=60, what="the warning")
            (words,) = answer["warnings"]
            assert re.match(
                r"this broker drops what waits for cushionwatch beyond about 10\d\d messages", words
            )
            assert answer["ready"]
            text = httpx.get(f"{folder.url}/metrics", timeout=10).text
            assert "cushionwatch_broker_drops_waiting 1.0" in text
            assert "cushionwatch_warnings 1.0" in text
            wait_until(
                lambda: (
                    "cushionwatch_broker_dropped_messages_total" in httpx.get(f"{folder.url}/metrics").text
                ),
                timeout=30,
                what="the broker's own count",
            )
            assert one.stop() == 0
        assert one.err.read_text().count("this broker drops what waits") == 1


def test_what_the_broker_drops_is_seen_to_grow(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with running_broker(tmp_path, "max_queued_messages 10", "sys_interval 1") as broker:
        absent = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="absent", clean_session=False)
        ready = threading.Event()
        absent.on_subscribe = lambda *_: ready.set()
        absent.connect(HOST, broker.port)
        absent.subscribe("x", 1)
        absent.loop_start()
        assert ready.wait(10)
        absent.disconnect()
        absent.loop_stop()
        with source(broker) as (_, running):
            wait_until(lambda: running.drops.count == 0, what="the broker's count")
            publish(broker, [("x", b"1")] * 100)
            wait_until(lambda: running.drops.count and running.drops.count >= 80, what="its growth")
            (words,) = running.drops.warnings(SystemClock().now())
            assert re.match(r"the broker has dropped \d+ messages, of this or another client", words)
            assert words in caplog.text
            assert running.take(1, 0.1) == []  # the count itself is no reading
