"""What other programs hear of the service on retained topics of a real broker, also after it was killed."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from broker import HOST, Broker, running_broker, wait_until
from running import Folder, Service, publish, service

from monitor.service.clock import SystemClock
from monitor.service.teller import HOLDS

OWN = "cushionwatch/service/cushionwatch"
SITE = 'id = "riverside-12"\nunit = "kPa"\n[tank]\nvolume = "8 L"\nprecharge = "400 kPa"\n'
TOPIC = "cushionwatch/riverside-12/pressure"


class Reader:
    """Another program: the newest payload of each of our topics."""

    def __init__(self, broker: Broker) -> None:
        self.last: dict[str, bytes] = {}
        self.kept: set[str] = set()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe(f"{OWN}/#", 1)
        self.client.on_message = self._take
        self.client.connect(HOST, broker.port)
        self.client.loop_start()

    def _take(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        name = message.topic.removeprefix(f"{OWN}/")
        self.last[name] = message.payload
        if message.retain:
            self.kept.add(name)

    def json(self, name: str) -> dict[str, Any]:
        return json.loads(self.last.get(name, b"{}"))

    def believes(self, now: float) -> str | None:
        """Return the verdict as a careful reader takes it: online, and not expired."""
        said = self.json("verdict/riverside-12")
        if self.last.get("status") != b"online" or not said or moment(said["expires"]) <= now:
            return None
        return str(said["verdict"])


def moment(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@contextmanager
def reading(broker: Broker) -> Iterator[Reader]:
    one = Reader(broker)
    try:
        yield one
    finally:
        one.client.disconnect()
        one.client.loop_stop()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Folder, Broker, Service]]:
    with running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, SITE)
        with service(folder) as one:
            yield folder, broker, one


def test_the_verdict_and_the_state_are_kept_for_those_who_come_later(
    running: tuple[Folder, Broker, Service],
) -> None:
    _, broker, _ = running
    publish(broker, [(TOPIC, b"412.5")])
    with reading(broker) as early:
        wait_until(lambda: early.json("verdict/riverside-12").get("verdict") == "learning", what="verdict")
        wait_until(lambda: early.json("state").get("ready"), what="the state")
    with reading(broker) as late:
        wait_until(lambda: {"verdict/riverside-12", "state", "status"} <= late.kept, what="what is kept")
        verdict, state = late.json("verdict/riverside-12"), late.json("state")
    now = SystemClock().now()
    assert list(verdict) == [
        "site", "verdict", "why", "last_window", "air_charge", "worst_case_peak_kpa", "forecast", "events",
        "time", "expires",
    ]  # fmt: skip
    assert list(state) == [
        "version", "started", "ready", "problems", "warnings", "stored", "rejected", "time", "expires"
    ]  # fmt: skip
    for said in (verdict, state):
        assert said["time"].endswith("Z")
        assert 0 <= now - moment(said["time"]) < HOLDS
        assert moment(said["expires"]) == pytest.approx(moment(said["time"]) + HOLDS, abs=1e-3)
    assert verdict["site"] == "riverside-12"
    assert verdict["events"] == []


def test_after_a_kill_the_last_will_and_the_expiry_keep_readers_from_believing(
    running: tuple[Folder, Broker, Service],
) -> None:
    _, broker, one = running
    publish(broker, [(TOPIC, b"412.5")])
    with reading(broker) as reader:
        wait_until(lambda: reader.believes(SystemClock().now()) == "learning", what="the verdict")
        assert reader.believes(SystemClock().now() + HOLDS) is None
        assert one.stop(signal.SIGKILL) == -signal.SIGKILL
        wait_until(lambda: reader.last["status"] == b"offline", what="the last will")
        assert reader.believes(SystemClock().now()) is None
        assert (
            reader.json("verdict/riverside-12")["verdict"] == "learning"
        )  # the broker keeps it all the same
        killed = reader.json("state")["started"]
        one.start()
        wait_until(lambda: reader.json("state")["started"] != killed, what="the new state")
        wait_until(lambda: reader.believes(SystemClock().now()) == "learning", what="the verdict again")
        assert one.stop() == 0
        wait_until(lambda: reader.last["status"] == b"offline", what="the goodbye")


def test_what_keeps_the_service_from_its_work_is_told_as_it_comes_and_goes(
    running: tuple[Folder, Broker, Service],
) -> None:
    """The store is out of reach: the state says so at once, and no verdict is renewed."""
    folder, broker, _ = running
    publish(broker, [(TOPIC, b"412.5")])
    with reading(broker) as reader:
        wait_until(lambda: reader.json("verdict/riverside-12").get("verdict") == "learning", what="verdict")
        wait_until(lambda: reader.json("state").get("ready"), what="the state")
        before = reader.json("verdict/riverside-12")
        store = folder.path / "var" / "cushionwatch.db"
        store.rename(store.with_suffix(".away"))
        try:
            wait_until(lambda: not reader.json("state")["ready"], timeout=20, what="the trouble")
            assert "cushionwatch.db" in reader.json("state")["problems"][0]
            assert reader.json("verdict/riverside-12") == before
        finally:
            store.with_suffix(".away").rename(store)
        publish(broker, [(TOPIC, b"413.5")])
        wait_until(lambda: reader.json("state")["ready"], timeout=30, what="the end of the trouble")
