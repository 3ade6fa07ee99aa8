"""Devices that publish without a pause: many sites, all points, some of it bad, all of it in a ledger."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.readings import Origin, Point, Reading, default_topic, encode_sample
from monitor.service.clock import SystemClock
from tests.faults.ledger import Ledger

CONFIRM: Final = 300.0
"""Seconds that the broker has to confirm what is under way, on a machine that has much else to do."""
TICK: Final = 0.01
"""Seconds between two bursts."""
BAD: Final = 0.01
"""Share of the messages that have to be refused."""
LEVELS: Final = {Point.PRESSURE: 300.0, Point.HEATER: 0.0, Point.TEMPERATURE: 50.0}
"""A line at rest, a unit of noise upon it, a heater that is off: there is nothing to find at such a site."""
UNITS: Final = {Point.PRESSURE: "kPa", Point.HEATER: "", Point.TEMPERATURE: "degC"}


class Device:
    """One site's device: it numbers its messages, or not (every third does not).

    ``clock``: the time of day as this device has it; ``zone``: it stamps local time with its UTC offset.
    """

    def __init__(
        self, site: str, number: int, clock: Callable[[], float], zone: ZoneInfo | None = None
    ) -> None:
        self.site = site
        self.ahead = False
        self._boot = "" if number % 3 == 2 else "boot-1"
        self._clock = clock
        self._zone = zone
        self._sequence = 0
        self._stamp = 0
        self._used: set[int] = set()

    def message(self, point: Point, rng: random.Random, ledger: Ledger, *, bad: bool) -> tuple[str, bytes]:
        """Return the next message, noted in the ledger."""
        stamp = self._next()
        self._sequence += 1
        origin = Origin(f"device-{self.site}", self._boot, self._sequence) if self._boot else None
        topic = default_topic(self.site, point)
        if bad:
            payload = self._bad(stamp, origin, rng)
            ledger.refusal(topic, payload, origin)
            return topic, payload
        value = round(LEVELS[point] + (rng.random() if LEVELS[point] else 0.0), 3)
        reading = Reading(self.site, point, stamp, value, origin)
        ledger.reading(reading)
        payload = encode_sample(stamp, value, UNITS[point], origin)
        if self._zone is not None:
            local = datetime.fromtimestamp(stamp, self._zone).isoformat(timespec="milliseconds")
            payload = payload.replace(f"{stamp}".encode(), f'"{local}"'.encode())
        if self.ahead:
            ledger.may_be_refused(topic, payload, reading)
        return topic, payload

    def step(self, *, ahead: bool) -> None:
        """Note that its clock, or that of the service, was set: the next stamp may be earlier than the last.

        ``ahead``: what it says may be refused, for it may lie in the future.
        """
        self._stamp = 0
        self.ahead = ahead

    def _next(self) -> float:
        """Return the next stamp, in whole milliseconds.

        Between two settings of the clock each is later than the one before. A device that does not number
        speaks of no instant twice even so, for nobody could tell that from a repeat.
        """
        stamp = max(round(self._clock() * 1000), self._stamp + 1)
        while not self._boot and stamp in self._used:
            stamp += 1
        self._used.add(stamp)
        self._stamp = stamp
        return stamp / 1000

    def _bad(self, stamp: float, origin: Origin | None, rng: random.Random) -> bytes:
        """Return a payload of which nothing can be stored, unlike every other."""
        mark = f"{self.site} {self._sequence}"
        value: object = rng.choice((f"off {mark}", 1e9 + self._sequence, {"nested": mark}, [mark]))
        sample: dict[str, object] = {"time": stamp, "value": value, "unit": "kPa", "mark": mark}
        if origin is not None:
            sample |= {"device": origin.device, "boot": origin.boot, "sequence": origin.sequence}
        return json.dumps(sample).encode()


class Load:
    """Publishes at QoS 1 at an even rate from `start` to `finish`.

    Parameters
    ----------
    port : int
        Of the broker.
    sites : Sequence[str]
        Where the devices are, one a site.
    rate : float
        Messages a second, all devices together.
    seed : int
        Of the order, the values and what is bad.
    clock : Callable[[], float] | None
        Time of day that devices stamp; None: the machine's.
    zone : ZoneInfo | None
        Every second device stamps the local time there, with its UTC offset.
    """

    def __init__(
        self,
        port: int,
        sites: Sequence[str],
        rate: float,
        seed: int,
        clock: Callable[[], float] | None = None,
        zone: ZoneInfo | None = None,
    ) -> None:
        clock = clock or SystemClock().now
        self.ledger = Ledger()
        self.devices = [
            Device(site, number, clock, zone if number % 2 else None) for number, site in enumerate(sites)
        ]
        self.took = 0.0
        self._rate = rate
        self._rng = random.Random(seed)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="load", daemon=True)
        self._published = 0
        self._confirmed = 0
        self._kept: list[tuple[str, bytes]] = []
        # The broker keeps this session, so what it has not confirmed is sent again after a loss.
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"load-{seed}", clean_session=False)
        self._client.max_inflight_messages_set(1000)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def pause(self) -> None:
        """Stop sending, and wait until the broker has confirmed everything."""
        self._stopping.set()
        self._thread.join()
        self._confirm(CONFIRM)

    def repeat(self) -> None:
        """Publish everything again, as devices do that keep what they have sent; after `pause`."""
        for topic, payload in self._kept:
            self._publish(topic, payload)

    def finish(self, timeout: float = CONFIRM) -> Ledger:
        """Stop, wait until the broker has confirmed everything, and return what was sent."""
        self._stopping.set()
        self._thread.join()
        self._confirm(timeout)
        self.close()
        return self.ledger

    def _confirm(self, timeout: float) -> None:
        deadline = time.monotonic() + timeout
        while self._confirmed < self._published:
            if time.monotonic() > deadline:
                raise RuntimeError(f"the broker did not confirm everything within {timeout:g} s")
            time.sleep(TICK)

    def _on_publish(self, *_: object) -> None:
        self._confirmed += 1

    def close(self) -> None:
        """End, whatever is under way."""
        self._stopping.set()
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, count: int) -> None:
        """Publish so many messages now; only while it does not run."""
        points = list(Point)
        for _ in range(count):
            device = self._rng.choice(self.devices)
            bad = self._rng.random() < BAD
            topic, payload = device.message(self._rng.choice(points), self._rng, self.ledger, bad=bad)
            self._kept.append((topic, payload))
            self._publish(topic, payload)

    def _publish(self, topic: str, payload: bytes) -> None:
        # While the broker is away the client keeps it, although it says that it is not connected.
        self._published += 1
        self._client.publish(topic, payload, qos=1)

    def round(self) -> None:
        """Publish one good message of each device; only while it does not run."""
        for device in self.devices:
            topic, payload = device.message(Point.PRESSURE, self._rng, self.ledger, bad=False)
            self._kept.append((topic, payload))
            self._publish(topic, payload)
        self._confirm(CONFIRM)

    def _run(self) -> None:
        began, count = time.monotonic(), 0
        while not self._stopping.wait(TICK):
            due = int((time.monotonic() - began) * self._rate)
            self.send(due - count)
            count = due
        self.took = time.monotonic() - began
