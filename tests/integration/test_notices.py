"""What the service says on topics of its own, as other clients of a real broker hear it."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import paho.mqtt.client as paho
import pytest
from broker import HOST, Broker, running_broker, wait_until

from monitor.ingest.mqtt import MqttSource
from monitor.service.clock import SystemClock
from monitor.service.settings import BrokerTable

OWN = "cushionwatch/service/cushionwatch"
BOTH = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


@pytest.fixture
def broker(tmp_path) -> Iterator[Broker]:
    with running_broker(tmp_path) as running:
        yield running


@contextmanager
def source(broker: Broker, protocol: str = "5", filters: tuple[str, ...] = ("cushionwatch/+/+",)):
    running = MqttSource(BrokerTable(host=HOST, port=broker.port, protocol=protocol), filters, SystemClock())
    running.start()
    try:
        yield running
    finally:
        running.stop()


def connected(running: MqttSource) -> None:
    wait_until(lambda: running.health().connected, timeout=20, what="connection")


@contextmanager
def heard(broker: Broker, topic: str):
    """Return the messages on a topic filter as they come, the kept ones first."""
    told: list[tuple[str, bytes, bool]] = []
    ready = threading.Event()
    reader = paho.Client(paho.CallbackAPIVersion.VERSION2)
    reader.on_message = lambda _c, _d, one: told.append((one.topic, one.payload, one.retain))
    reader.on_subscribe = lambda *_: ready.set()
    reader.connect(HOST, broker.port)
    reader.subscribe(topic, 1)
    reader.loop_start()
    assert ready.wait(10)
    try:
        yield told
    finally:
        reader.disconnect()
        reader.loop_stop()


def kept(broker: Broker, topic: str = f"{OWN}/#") -> dict[str, bytes]:
    """Return what the broker keeps, by the name after our own prefix, without our online status."""
    with heard(broker, topic) as told:
        time.sleep(0.3)  # kept messages follow the answer to the subscription
        found = {one.removeprefix(f"{OWN}/"): payload for one, payload, retained in told if retained}
    found.pop("status", None)
    return found


@BOTH
def test_the_last_word_is_kept_by_the_broker(broker, protocol):
    with source(broker, protocol) as running:
        running.publish("state", b"before the connection")
        connected(running)
        for number in range(500):
            running.publish("committed/pump-3", str(number).encode())
        running.publish("gone", b"x")
        running.publish("gone", b"")
        wait_until(lambda: running._notices.settled, what="the broker's word")
        expected = {"state": b"before the connection", "committed/pump-3": b"499"}
        assert kept(broker) == expected
    assert kept(broker) == expected


@BOTH
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_broker_that_forgot_is_told_again_and_the_newest_wins(broker, protocol, how):
    with source(broker, protocol) as running:
        connected(running)
        for name in ("a", "b", "c"):
            running.publish(f"verdict/{name}", b"old")
        wait_until(lambda: running._notices.settled, what="the broker's word")
        broker.stop(how)
        (broker.folder / "data" / "mosquitto.db").unlink(missing_ok=True)
        began = time.monotonic()
        for number in range(1000):
            running.publish("verdict/a", f"new {number}".encode())
        assert time.monotonic() - began < 2  # nobody waits for a broker that is away
        broker.start()
        connected(running)
        wait_until(lambda: running._notices.settled, what="the broker's word")
        assert kept(broker) == {"verdict/a": b"new 999", "verdict/b": b"old", "verdict/c": b"old"}


def test_many_threads_at_once_leave_the_last_word_of_each(broker):
    def tell(name: str) -> None:
        for number in range(200):
            running.publish(f"committed/{name}", str(number).encode())

    with source(broker) as running:
        connected(running)
        threads = [threading.Thread(target=tell, args=(f"pump-{number}",)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20)
        wait_until(lambda: running._notices.settled, what="the broker's word")
        assert kept(broker) == {f"committed/pump-{number}": b"199" for number in range(8)}


def test_what_is_not_retained_is_heard_and_not_kept(broker):
    with source(broker) as running:
        connected(running)
        with heard(broker, f"{OWN}/greeting") as told:
            running.publish("greeting", b"hello", retain=False)
            wait_until(lambda: told, what="the greeting")
        assert kept(broker) == {}


@BOTH
@pytest.mark.parametrize("wide", ["cushionwatch/#", "#"])
def test_a_wide_filter_does_not_take_our_own_words_for_readings(broker, protocol, wide):
    with source(broker, protocol, (wide,)) as running:
        connected(running)
        running.publish("state", b"{}")
        running.publish("verdict/a", b"{}")
        wait_until(lambda: running._notices.settled, what="the broker's word")
        for name in ("status", "session", "state", "probe", "verdict/a", "committed/pump"):
            broker.publish(f"cushionwatch/service/another/{name}", "x")  # a second service at this broker
        broker.publish("cushionwatch/service/plant/pressure", "412.5")  # no word of a service
        broker.publish("cushionwatch/a/pressure", "412.5")
        got = []
        wait_until(lambda: got.extend(running.take(10, 0.05)) or len(got) >= 2, what="the readings")
        assert [message.topic for message in got + running.take(10, 0.3)] == [
            "cushionwatch/service/plant/pressure",
            "cushionwatch/a/pressure",
        ]
        running.acknowledge(got)


def test_a_broker_that_does_not_let_us_write_is_told_of_and_changes_nothing_else(tmp_path, caplog):
    access = tmp_path / "acl"
    access.write_text(f"topic read cushionwatch/#\ntopic write {OWN}/status\ntopic write cushionwatch/a/#\n")
    with running_broker(tmp_path, f"acl_file {access}") as broker, source(broker) as running:
        connected(running)
        running.publish("state", b"{}")
        wait_until(lambda: "does not let us write" in caplog.text, what="the reason")
        assert f"'{OWN}/state': Not authorized; check the broker's access list" in caplog.text
        broker.publish("cushionwatch/a/pressure", "1")
        got = []
        wait_until(lambda: got.extend(running.take(1, 0.05)) or got, what="the reading")
        assert running.health().connected
