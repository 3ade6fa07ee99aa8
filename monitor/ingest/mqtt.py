"""Messages from an MQTT broker, at least once: acknowledged only after they are stored.

The network thread of the client library does nothing but put messages on a bounded queue. While the queue is
full it reads no more, so the broker holds back the rest. That thread could end while the client still calls
itself connected, so the health tells of the thread itself, and `MqttSource.take` starts a new one.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from paho.mqtt.client import MQTT_ERR_SUCCESS, Client, ConnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.ingest import refusals
from monitor.ingest.backlog import Backlog
from monitor.ingest.client import OFFLINE, ONLINE, QOS, is_own, make_client, own_topic
from monitor.ingest.drops import DROPPED, Drops
from monitor.ingest.inbox import Inbox
from monitor.ingest.notices import Notice, Notices
from monitor.ingest.subscribing import Subscriptions
from monitor.ingest.telling import Telling
from monitor.service.ports import Clock, Message, SourceHealth
from monitor.service.settings import BrokerTable

LOG = logging.getLogger("cushionwatch.broker")

QUEUE: Final = 1000
"""Messages held between the network and the worker; also the receive maximum told to an MQTT 5 broker."""
_PATIENCE: Final = 2.0  # seconds that each step of a clean stop may take


class Receipt(NamedTuple):
    """What it takes to acknowledge a message; packet ids mean nothing beyond their own connection."""

    connection: int
    packet: int
    qos: int


class MqttSource:
    """Fills `monitor.service.ports.MessageSource` with an MQTT 5 or 3.1.1 broker.

    A message that the broker kept for us comes with ``retained`` set, whether it is a retained one or was
    queued while we were away: either way its arrival says nothing about the time of what it tells. The end
    of the queue is known by a mark that we send to ourselves when a session is resumed: it comes last.

    Parameters
    ----------
    broker : BrokerTable
        Where the broker is and how to log in.
    filters : Sequence[str]
        Topic filters to subscribe to.
    clock : Clock
        Gives the time of arrival.
    size : int
        Messages that may wait for the worker.
    """

    def __init__(self, broker: BrokerTable, filters: Sequence[str], clock: Clock, size: int = QUEUE) -> None:
        self._broker = broker
        self._clock = clock
        self._where = f"{broker.host}:{broker.port_number}"
        self._lock = threading.RLock()  # an acknowledgement must not meet the end of its connection
        self._connection = 0
        self._connected = False
        self._answered = False
        self._backlog = Backlog()
        self._stopping = threading.Event()
        self._inbox = Inbox(size, self._stopping)
        self._thread: threading.Thread | None = None
        self._last_message: float | None = None
        self._telling = Telling(clock)
        self._notices = Notices(self._send, self._unheard)
        self.drops = Drops()
        """What the broker says that it has dropped."""
        ours = own_topic(broker, "session")
        self._subscriptions = Subscriptions(broker, (*filters, ours), self._telling, self._where)
        self._client = self._new_client()

    def start(self) -> None:
        """Begin to connect; returns at once, even while the broker is down."""
        self._telling.detail = f"connecting to {self._where}"
        self._client.loop_start()

    def take(self, limit: int, timeout: float) -> list[Message]:
        """Return up to ``limit`` messages, fewer where they are large; wait at most ``timeout`` s for the first."""
        self._revive()
        return self._inbox.take(limit, timeout)

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are stored; those of a lost connection come again, and are told then."""
        with self._lock:
            for message in messages:
                receipt = message.handle
                if isinstance(receipt, Receipt) and receipt.connection == self._connection:
                    self._client.ack(receipt.packet, receipt.qos)

    def publish(self, name: str, payload: bytes, *, retain: bool = True) -> None:
        """Say something under ``own_topic(broker, name)``; returns at once, also while the broker is away.

        Of each name the last payload is kept and said again after every connection; one that is not to be
        retained is said once. An empty payload takes back what was said. The name may have levels of its own
        (``committed/pump-3``); one that cannot be a topic is left out, and the log says so.
        """
        self._notices.put(name, Notice(payload, retain))

    def health(self) -> SourceHealth:
        """Return whether messages can arrive."""
        alive = self._alive()
        ended = not alive and self._thread is not None and not self._stopping.is_set()
        detail = "the network thread has ended" if ended else self._telling.detail
        return SourceHealth(alive, alive and self._connected, self._last_message, detail)

    def stop(self) -> None:
        """Say offline and disconnect; what is not acknowledged stays with the broker."""
        self._stopping.set()
        if self._connected:
            self._notices.settle(_PATIENCE)
            said = self._client.publish(own_topic(self._broker, "status"), OFFLINE, QOS, retain=True)
            try:
                said.wait_for_publish(_PATIENCE)
            except (RuntimeError, ValueError):
                LOG.debug("the connection ended before the broker was told")
        self._client.disconnect()
        if self._thread is not None:
            self._thread.join(_PATIENCE)
        if not self._alive():
            self._client.loop_stop()
        self._connected = False
        self._telling.detail = "stopped"

    def _alive(self) -> bool:
        started = self._telling.detail not in {"not started", "stopped"}
        return self._thread.is_alive() if self._thread is not None else started

    def _revive(self) -> None:
        """Start over with a new client if the network thread has ended: nobody else would notice."""
        if self._thread is None or self._thread.is_alive() or self._stopping.is_set():
            return
        LOG.error("the network thread has ended unexpectedly; connecting anew")
        with self._lock:
            self._connection += 1
            self._connected = False
            self._thread = None
            self._notices.closed()
            self._client = self._new_client()
        self._client.loop_start()

    def _new_client(self) -> Client:
        client = make_client(self._broker, self._inbox.size)
        client.suppress_exceptions = True  # one exception in a callback would end the network thread
        client.on_pre_connect = self._on_pre_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        return client

    def _send(self, name: str, notice: Notice) -> int | None:
        sent = self._client.publish(own_topic(self._broker, name), notice.payload, QOS, notice.retain)
        return sent.mid if sent.rc == MQTT_ERR_SUCCESS else None

    def _unheard(self, name: str, reason: str) -> None:
        self._telling.trouble(refusals.unwritable(own_topic(self._broker, name), reason, self._where))

    # From here on: callbacks, called by the network thread.

    def _on_pre_connect(self, _client: Client, _data: Any) -> None:
        self._thread = threading.current_thread()
        self._answered = False

    def _on_connect_fail(self, _client: Client, _data: Any) -> None:
        # the library calls this while it handles the exception, and does not hand it over
        self._telling.trouble(refusals.unreachable(sys.exc_info()[1], self._broker.host, self._where))

    def _on_connect(
        self, client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _props: Properties | None
    ) -> None:
        self._answered = True
        if reason.is_failure:
            self._telling.trouble(refusals.refused(reason.getName(), self._where))
            return
        if self._stopping.is_set():
            client.disconnect()
            return
        with self._lock:
            self._connection += 1
            self._connected = True
        mark = self._backlog.begin(self._connection, self._clock.now(), resumed=flags.session_present)
        self._telling.detail = f"connected to {self._where}"
        self._subscriptions.ask(client)
        client.publish(own_topic(self._broker, "status"), ONLINE, QOS, retain=True)
        if mark is not None:
            client.publish(own_topic(self._broker, "session"), mark, QOS)

    def _on_subscribe(
        self, _client: Client, _data: Any, mid: int, reasons: list[ReasonCode], _props: Properties | None
    ) -> None:
        if self._subscriptions.answered(mid, reasons):
            # Not before: what the library repeats of the last connection would come after it, and be kept.
            self._notices.opened()

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: Any, reason: ReasonCode, _props: Properties | None
    ) -> None:
        with self._lock:
            was_connected, self._connected = self._connected, False
            self._connection += 1
        self._notices.closed()
        if self._stopping.is_set():
            return
        if was_connected:
            self._telling.trouble(refusals.dropped(reason.getName(), self._where, self._broker.client_id))
        elif not self._answered:
            self._telling.trouble(refusals.silent(self._where, tls=self._broker.uses_tls))

    def _on_message(self, client: Client, _data: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:  # a broker should not let it through; refused later like any unknown topic
            topic = "(not UTF-8)"
        if self._is_no_reading(topic, bytes(message.payload)):
            client.ack(message.mid, message.qos)
            return
        arrived = self._clock.now()
        kept = message.retain or self._backlog.lasts(arrived)
        receipt = Receipt(self._connection, message.mid, message.qos)
        self._last_message = arrived
        self._inbox.put(Message(topic, bytes(message.payload), arrived, kept, receipt))

    def _is_no_reading(self, topic: str, payload: bytes) -> bool:
        """Take what is not for the worker; a filter such as ``cushionwatch/#`` catches what services say."""
        if topic == DROPPED:
            self.drops.take(payload, self._clock.now())
            return True
        if topic == own_topic(self._broker, "session"):
            self._backlog.end(payload)
        return is_own(self._broker, topic)

    def _on_publish(
        self, _client: Client, _data: Any, mid: int, reason: ReasonCode, _props: Properties | None
    ) -> None:
        self._notices.confirmed(mid, reason.getName() if reason.is_failure else "")
