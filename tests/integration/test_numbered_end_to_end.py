"""A device, a real broker and the service, any of which dies: nothing lost, nothing twice, or the gap is listed.

The broker keeps sessions and retained topics on the disk only now and then, as it does by default, so that what it
confirmed before it is killed is gone.
"""

from __future__ import annotations

import json
import math
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from broker import Broker, running_broker, wait_until
from paho.mqtt.enums import CallbackAPIVersion
from running import Folder, Service, service

from monitor.readings import Origin, Point, default_topic, encode_sample
from monitor.service.clock import SystemClock
from monitor.service.ports import GapState
from simulator.device import Device

SITE = "mill-3"
TOPIC = default_topic(SITE, Point.PRESSURE)
KILLS = int(os.environ.get("NUMBER_KILLS", "6"))
"""Kills of the service in this run; a nightly run asks for more."""

PER_KPA = 16
"""Messages whose values are one kPa apart: exact, and a hundred thousand of them are pressures that can be."""


@pytest.fixture
def place(tmp_path: Path) -> Iterator[tuple[Folder, Broker]]:
    with running_broker(tmp_path) as broker:
        yield Folder(tmp_path / "service", broker, f'id = "{SITE}"\nunit = "kPa"\n'), broker


def values(home: Folder) -> Counter[float]:
    """Return how often each value is stored, by its stamp or apart."""
    store = home.store()
    try:
        found = Counter(store.readings(SITE, Point.PRESSURE, 0, math.inf)[1].tolist())
        found.update(reading.value for reading in store.retold(SITE, Point.PRESSURE))
        return found
    finally:
        store.close()


def send(device: Device, count: int) -> None:
    """Send readings whose value is their number."""
    now = SystemClock().now() - 3600.0
    for _ in range(count):
        number = device.sequence + 1
        assert device.send(TOPIC, now + number, float(number), "kPa") == number


def confirmed(device: Device) -> bool:
    """Tell whether the broker has confirmed all that was sent so far."""
    return not device._client._out_messages


def lose_what_was_confirmed(home: Folder, broker: Broker, one: Service, device: Device) -> None:
    """Send while the service is down, and kill the broker when it has confirmed all of it."""
    send(device, 100)
    wait_until(lambda: len(values(home)) == 100, timeout=30, what="the first hundred")
    assert one.stop() == 0
    send(device, 200)
    wait_until(lambda: confirmed(device), timeout=30, what="the broker's confirmations")
    broker.restart(signal.SIGKILL)
    wait_until(lambda: device.connected, timeout=30, what="the device's return")
    one.start()


def test_a_device_that_sends_again_loses_nothing_when_the_broker_dies(place: tuple[Folder, Broker]) -> None:
    home, broker = place
    with service(home) as one:
        device = Device("127.0.0.1", broker.port, SITE, "boot-1")
        try:
            lose_what_was_confirmed(home, broker, one, device)
            send(device, 50)
            for _ in range(3):  # and again while all are up
                time.sleep(0.3)
                broker.restart(signal.SIGKILL)
                send(device, 50)

            def settled() -> bool:
                device.look_after()
                return not device.kept

            wait_until(settled, timeout=90, what="the word that all is stored")
            assert device.sequence == 500
        finally:
            device.close()
        assert one.stop() == 0
    assert values(home) == Counter({float(number): 1 for number in range(1, 501)})
    store = home.store()
    lost = [gap for gap in store.gaps() if gap.state is not GapState.FILLED]
    assert lost == []
    assert sum(gap.count for gap in store.gaps()) >= 200  # what the broker had confirmed and lost
    assert store.rejected_count() == 0
    store.close()


def test_what_a_device_does_not_send_again_is_listed_as_missing(place: tuple[Folder, Broker]) -> None:
    home, broker = place
    with service(home) as one:
        device = Device("127.0.0.1", broker.port, SITE, "boot-1", resends=False)
        try:
            lose_what_was_confirmed(home, broker, one, device)
            send(device, 1)
            wait_until(lambda: 301.0 in values(home), timeout=30, what="a message after the loss")
            shown = subprocess.run(
                [sys.executable, "-m", "monitor", "gaps", SITE, "--json", "-c", str(home.path / "service.toml")],
                capture_output=True, text=True, timeout=30, check=False,
            )  # fmt: skip
            assert one.stop() == 0
        finally:
            device.close()
    assert shown.returncode == 1, shown.stderr
    (gap,) = json.loads(shown.stdout)["gaps"]
    assert (gap["device"], gap["boot"], gap["state"]) == (SITE, "boot-1", "open")
    assert (gap["first"], gap["last"], gap["count"]) == (101, 300, 200)
    stored = values(home)
    assert set(stored.values()) == {1}
    missing = set(range(gap["first"], gap["last"] + 1))
    assert {int(value) for value in stored} | missing == set(range(1, 302))
    assert "200 not received, numbers 101 to 300" in one.err.read_text()


def test_an_hour_told_twice_is_kept_apart_and_told(place: tuple[Folder, Broker]) -> None:
    """The clock of the device goes back by an hour, as one does that knows no time zone."""
    home, broker = place
    began = SystemClock().now() // 10 * 10 - 20_000.0
    with service(home) as one:
        device = Device("127.0.0.1", broker.port, SITE, "boot-1")
        try:
            for number in range(1, 1201):
                late = 3600.0 if number > 600 else 0.0
                device.send(TOPIC, began + 10.0 * number - late, float(number), "kPa")
            wait_until(lambda: not device.kept, timeout=60, what="the word that all is stored")
        finally:
            device.close()
        assert one.stop() == 0
    assert values(home) == Counter({float(number): 1 for number in range(1, 1201)})
    store = home.store()
    assert [(step.sequence, step.before - step.after) for step in store.set_backs(SITE)] == [(601, 3590.0)]
    apart = [reading.value for reading in store.retold(SITE, Point.PRESSURE)]
    times, by_time = store.readings(SITE, Point.PRESSURE, 0, math.inf)
    store.close()
    assert apart == [float(number) for number in range(601, 961)]
    assert by_time.tolist() == [*map(float, range(1, 601)), *map(float, range(961, 1201))]
    assert times.tolist() == [began + 10.0 * number for number in range(1, 841)]
    assert "its clock went back by 3590 s at number 601" in one.err.read_text()


class Load:
    """Numbered messages without end: some cannot be used, some have no time stamp."""

    def __init__(self, broker: Broker, seed: int) -> None:
        self.sent: list[int] = []
        self._rng = random.Random(seed)
        self._stop = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        handed = []
        while not self._stop.is_set():
            number = len(self.sent) + 1
            origin = Origin("pump", "boot-1", number)
            body = json.loads(encode_sample(SystemClock().now(), number / PER_KPA, "kPa", origin))
            kind = self._rng.random()
            if kind < 0.1:
                body["unit"] = f"furlong {number}"
            elif kind < 0.2:
                del body["time"]
            handed.append(self._client.publish(TOPIC, json.dumps(body), qos=1))
            self.sent.append(number)
            if number % 20 == 0:
                time.sleep(0.05)
        for one in handed:
            one.wait_for_publish(30)
        self._client.disconnect()
        self._client.loop_stop()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()


def test_killed_again_and_again_under_load_each_message_counts_once(place: tuple[Folder, Broker]) -> None:
    home, broker = place
    seed = random.randrange(1 << 32)
    rng = random.Random(seed)
    with service(home) as one:
        load = Load(broker, seed)
        try:
            for _ in range(KILLS):
                time.sleep(rng.uniform(0.02, 0.5))
                assert one.stop(signal.SIGKILL) == -signal.SIGKILL
                one.start()
        finally:
            load.stop()
        everything = len(load.sent)

        def through() -> int:
            store = home.store()
            told = store.progress(["pump"])
            store.close()
            return told[0].boots[0].through if told else 0

        wait_until(lambda: through() == everything, timeout=60, what="the last message")
        assert one.stop() == 0
    store = home.store()
    refused = Counter(json.loads(row.payload)["sequence"] for row in store.rejected(1_000_000))
    listed = store.rejected_count()
    assert [gap for gap in store.gaps() if gap.state is not GapState.FILLED] == []
    assert store.integrity() == []
    store.close()
    stored = Counter(round(value * PER_KPA) for value in values(home).elements())
    assert stored + refused == Counter(load.sent), f"seed {seed}"
    assert listed == refused.total() > 0
    assert stored.total() > refused.total()
