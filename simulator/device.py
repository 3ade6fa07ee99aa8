"""A device that loses nothing: it numbers its messages, and keeps each until the service says that it is stored.

The broker's confirmation is no promise: a broker that dies forgets what it has confirmed. What `Device` does is all
that a device has to do; one that may itself lose power keeps its messages in a file instead of a dictionary, and
sends what it still has of earlier boots under their old boot and numbers.
"""

from __future__ import annotations

import json
import threading
import time
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.readings import Origin, encode_sample

PATIENCE: Final = 3.0
"""Seconds after which a message that did not arrive is sent again."""


class Device:
    """Publishes readings of one device in one boot; without ``resends`` it numbers only, and may lose some."""

    def __init__(self, host: str, port: int, device: str, boot: str, *, resends: bool = True) -> None:
        self.device, self.boot, self.resends = device, boot, resends
        self.sequence, self.highest = 0, 0
        self.missing: list[tuple[int, int]] = []
        self.kept: dict[int, tuple[str, bytes, float]] = {}  # topic, payload, when it was sent
        self._lock = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, f"device-{device}", protocol=mqtt.MQTTv311)
        self._client.on_connect = self._connected
        self._client.on_message = self._told
        self._client.reconnect_delay_set(1, 2)
        self._client.connect(host, port)
        self._client.loop_start()

    def send(self, topic: str, when: float, value: float, unit: str) -> int:
        """Publish a reading under the next number, keep it, and return the number."""
        with self._lock:
            self.sequence = number = self.sequence + 1
            payload = encode_sample(when, value, unit, Origin(self.device, self.boot, number))
            self.kept[number] = topic, payload, time.monotonic()
        self._client.publish(topic, payload, qos=1)
        return number

    @property
    def connected(self) -> bool:
        """Tell whether the broker has us."""
        return self._client.is_connected()

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(f"cushionwatch/service/+/committed/{self.device}", qos=1)

    def _told(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        told = json.loads(message.payload)
        for boot in (told, *told["earlier"]):
            if boot["boot"] == self.boot:
                with self._lock:
                    self.highest, self.missing = boot["highest"], boot["missing"]
                    self.kept = {n: one for n, one in self.kept.items() if n > boot["through"]}

    def look_after(self) -> None:
        """Send again what did not arrive; to be called now and then."""
        now = time.monotonic()
        with self._lock:
            due = {n: one for n, one in self.kept.items() if self._absent(n) and now - one[2] > PATIENCE}
            self.kept |= {n: (topic, payload, now) for n, (topic, payload, _) in due.items()}
        for topic, payload, _ in due.values() if self.resends else ():
            self._client.publish(topic, payload, qos=1)

    def _absent(self, number: int) -> bool:
        return number > self.highest or any(first <= number <= last for first, last in self.missing)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
