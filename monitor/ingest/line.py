"""One short connection to the broker, used step by step; for a check, not for readings."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Final, Self

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client, MQTTMessage

from monitor.errors import CushionwatchError
from monitor.ingest import refusals
from monitor.ingest.client import QOS, lasting, plain_client
from monitor.service.settings import BrokerTable

_PATIENCE: Final = 10.0  # seconds for the answer to one packet
_LOOK: Final = 0.05


def pause(seconds: float) -> None:
    """Wait. Not by `time.sleep`, which fails where a library makes the clock another one, as some containers do."""
    threading.Event().wait(seconds)


class LineError(CushionwatchError):
    """A step that did not succeed, in words; ``again``: it may do so another time."""

    def __init__(self, words: str, *, again: bool) -> None:
        super().__init__(words)
        self.again = again


class Line:
    """A connection for the length of a ``with`` block; raises `LineError` where a step fails.

    Parameters
    ----------
    broker : BrokerTable
        Where the broker is and how to log in.
    client_id : str
        Name of this client.
    topic : str
        What is written and read. Nothing else is acknowledged: were this the session of somebody else, it
        would be lost to him.
    stopping : Callable[[], bool]
        Ends every wait.
    clean : bool
        Begin without what the broker kept of an earlier connection.
    expiry : int
        Seconds for which the session is kept afterwards; of MQTT 3.1.1 it is, unless ``clean``.
    """

    def __init__(
        self,
        broker: BrokerTable,
        client_id: str,
        topic: str,
        stopping: Callable[[], bool],
        *,
        clean: bool,
        expiry: int,
    ) -> None:
        self._broker = broker
        self._where = f"{broker.host}:{broker.port_number}"
        self._topic = topic
        self._stopping = stopping
        self._clean = clean
        self._expiry = expiry
        self._refused = ""
        self._up, self._ended, self._answered = threading.Event(), threading.Event(), threading.Event()
        self._came: set[bytes] = set()
        self._confirmed = 0
        self._client = self._new_client(client_id)

    def __enter__(self) -> Self:
        try:
            self._connect()
            self._await(lambda: self._up.is_set() or bool(self._refused), "to the greeting")
            self._check()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    @property
    def ended(self) -> bool:
        """Tell whether the broker has ended the connection."""
        return self._ended.is_set()

    def subscribe(self) -> None:
        """Ask for the topic."""
        self._client.subscribe(self._topic, QOS)
        self._await(self._answered.is_set, "to a subscription")
        self._check()

    def publish(self, payloads: Sequence[bytes], timeout: float) -> None:
        """Publish all, and wait until the broker has confirmed them."""
        for payload in payloads:
            if self._client.publish(self._topic, payload, QOS).rc != MQTT_ERR_SUCCESS:
                self._lost()
        self._await(lambda: self._confirmed >= len(payloads) or bool(self._refused), "in time", timeout)
        self._check()

    def fetch(self, wanted: set[bytes], timeout: float, quiet: float) -> int:
        """Return how many of the wanted payloads come, until none has come for ``quiet`` s."""
        until = time.monotonic() + timeout
        last, seen = time.monotonic(), -1
        while (now := time.monotonic()) < until and not self._stopping():
            count = len(self._came & wanted)
            if count == len(wanted):
                return count
            if count > seen:
                last, seen = now, count
            elif now - last > quiet:
                return count
            if self.ended:
                self._lost()
            pause(_LOOK)
        raise LineError("the broker did not hand over in time what it had kept", again=True)

    def _connect(self) -> None:
        broker = self._broker
        modern = {"clean_start": self._clean, "properties": lasting(self._expiry)}
        extra: dict[str, Any] = modern if broker.protocol == "5" else {}
        try:
            self._client.connect(broker.host, broker.port_number, int(broker.keep_alive), **extra)
        except OSError as error:
            raise LineError(refusals.unreachable(error, broker.host, self._where), again=True) from error
        self._client.loop_start()

    def _close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _await(self, condition: Callable[[], bool], what: str, timeout: float = _PATIENCE) -> None:
        until = time.monotonic() + timeout
        while not condition():
            if self._stopping():
                raise LineError("the service is stopping", again=False)
            if self.ended:
                self._lost()
            if time.monotonic() > until:
                raise LineError(f"the broker at {self._where} did not answer {what}", again=True)
            pause(_LOOK)

    def _check(self) -> None:
        if self._refused:
            raise LineError(self._refused, again=False)

    def _lost(self) -> None:
        raise LineError(f"the broker at {self._where} ended the connection of the check", again=True)

    # Callbacks, called by the network thread of the library.

    def _new_client(self, client_id: str) -> Client:
        client = plain_client(self._broker, client_id, clean=self._clean)
        client.suppress_exceptions = True
        client.on_connect = self._on_connect
        client.on_disconnect = lambda *_: self._ended.set()
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        return client

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _props: Any) -> None:
        if self._up.is_set():  # the library connects again by itself; a check does not
            client.disconnect()
        elif reason.is_failure:
            self._refused = refusals.refused(reason.getName(), self._where)
        else:
            self._up.set()

    def _on_subscribe(self, _client: Client, _data: Any, _mid: int, reasons: Any, _props: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._refused = f"the broker does not let us read it: {reasons[0].getName()}"
        self._answered.set()

    def _on_publish(self, _client: Client, _data: Any, _mid: int, reason: Any, _props: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker does not let us write it: {reason.getName()}"
        self._confirmed += 1

    def _on_message(self, client: Client, _data: Any, message: MQTTMessage) -> None:
        if message.topic == self._topic:
            self._came.add(bytes(message.payload))
            client.ack(message.mid, message.qos)
