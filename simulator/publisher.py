"""A scenario played to an MQTT broker by an ordinary client: QoS 1, few messages in flight, a clean end."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulator.player import Batch, Pace

_WINDOW = 30  # messages in flight: enough to hide the way there and back, too few to flood a small broker
_POLL, _PAUSE = 0.05, 0.002  # s between looks: at the connection, at a full window


class PublishError(Exception):
    """The scenario cannot be played; the message says why."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to publish; ``password`` is the secret itself, ``cafile`` switches TLS on."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    cafile: Path | None = None
    client_id: str = "cushionwatch-simulator"
    timeout: float = 10.0


class Publisher:
    """One connection; `send` waits while the window is full, `close` leaves in well under a second."""

    def __init__(self, broker: Broker, stop: threading.Event, tell: Callable[[str], None]) -> None:
        self._broker, self._stop, self._tell = broker, stop, tell
        self._open, self._refused = threading.Event(), ""
        self._sent = self._confirmed = 0  # written by the caller's thread and by the network's thread
        client = mqtt.Client(CallbackAPIVersion.VERSION2, broker.client_id, protocol=mqtt.MQTTv311)
        client.on_connect = self._connected
        client.on_disconnect = self._lost
        client.on_publish = self._arrived
        client.reconnect_delay_set(1, 5)
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.cafile is not None:
            client.tls_set(str(broker.cafile), cert_reqs=ssl.CERT_REQUIRED)
        self._client = client

    def _connected(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refused = str(reason)
        self._open.set()

    def _lost(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure and not self._refused:
            self._tell(f"lost the broker ({reason}); trying again, nothing is skipped")

    def _arrived(self, *_: Any) -> None:
        self._confirmed += 1

    def open(self) -> None:
        """Connect; raise `PublishError` if the broker is not there or refuses."""
        broker = self._broker
        where = f"broker {broker.host}:{broker.port}"
        try:
            self._client.connect(broker.host, broker.port)
        except (OSError, ssl.SSLError) as exc:
            raise PublishError(f"{where}: {exc}; is it running, and is the address right?") from exc
        self._client.loop_start()
        if not self._wait(self._open.is_set, broker.timeout):
            raise PublishError(f"{where} did not answer within {broker.timeout:g} s")
        if self._refused:
            raise PublishError(f"{where} refused us: {self._refused}; check username and password file")

    def _wait(self, ready: Callable[[], bool], timeout: float) -> bool:
        """Wait until ``ready``, the stop signal or ``timeout`` [s]; return whether it is ready."""
        end = time.monotonic() + timeout
        while not ready() and time.monotonic() < end:
            if self._stop.wait(_POLL):
                break
        return ready()

    def send(self, topic: str, payload: bytes) -> None:
        """Publish at QoS 1; wait, but never past the stop signal, while too many are unconfirmed."""
        while self._sent - self._confirmed >= _WINDOW and not self._stop.wait(_PAUSE):
            pass
        if not self._stop.is_set():
            # Without a connection the client keeps it and sends it with the rest after reconnecting.
            self._client.publish(topic, payload, qos=1)
            self._sent += 1

    def drain(self, timeout: float) -> bool:
        """Wait until everything is confirmed; return whether it is."""
        return self._wait(lambda: self._confirmed >= self._sent, timeout)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def play(
    batches: Iterator[Batch],
    publisher: Publisher,
    pace: Pace,
    stop: threading.Event,
    tell: Callable[[str], None],
) -> int:
    """Send each batch when it is due until they or our time end; return how many messages were sent."""
    sent, day = 0, -1
    for batch in batches:
        if stop.wait(max(0.0, pace.due(batch.end) - time.monotonic())):
            break
        for topic, payload in batch.messages:
            publisher.send(topic, payload)
        sent += len(batch.messages)
        if int((batch.end - pace.epoch) // 86400.0) != day and not stop.is_set():
            day = int((batch.end - pace.epoch) // 86400.0)
            tell(f"day {day}")
    return sent
