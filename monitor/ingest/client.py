"""Makes the MQTT client as the settings say; nothing here opens a connection."""

from __future__ import annotations

import re
import ssl
from collections.abc import Sequence
from typing import Final

from paho.mqtt.client import Client, MQTTv5, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import SettingsError
from monitor.service.settings import BrokerTable

QOS: Final = 1
_SPOKEN: Final = re.compile(
    r"cushionwatch/service/[^/]+/(?:status|session|state|probe|(?:verdict|committed)/.*)", re.DOTALL
)
ONLINE, OFFLINE = b"online", b"offline"
_UNCONFIRMED_MOST: Final = 100  # messages of ours that the library keeps until the broker confirms them
_LONGEST_WAIT: Final = 60  # seconds between two attempts to connect, after doubling from one second


def own_topic(broker: BrokerTable, name: str) -> str:
    """Return a topic of this service itself, like ``status`` (retained, with a last will) or ``session``.

    Four levels, so that the default filter for readings, three levels, does not catch it.
    """
    return f"cushionwatch/service/{broker.client_id}/{name}"


def is_own(broker: BrokerTable, topic: str) -> bool:
    """Tell whether a topic is one on which this service, or another one at the same broker, speaks."""
    return topic.startswith(own_topic(broker, "")) or _SPOKEN.fullmatch(topic) is not None


def plain_client(broker: BrokerTable, client_id: str, *, clean: bool) -> Client:
    """Return a client that logs in as the settings say; ``clean`` counts for MQTT 3.1.1 alone.

    Raises
    ------
    SettingsError
        If a secret or certificate file cannot be used.
    """
    modern = broker.protocol == "5"
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if modern else clean,
        protocol=MQTTv5 if modern else MQTTv311,
        manual_ack=True,
    )
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password())
    if broker.uses_tls:
        client.tls_set_context(_tls(broker))
    return client


def lasting(seconds: int) -> Properties:
    """Return what asks an MQTT 5 broker to keep a session for so long after the connection has ended."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = seconds
    return properties


def make_client(broker: BrokerTable, receive_maximum: int) -> Client:
    """Return a client with a persistent session that acknowledges only when told to.

    Raises
    ------
    SettingsError
        If a secret or certificate file cannot be used.
    """
    client = plain_client(broker, broker.client_id, clean=False)
    client.will_set(own_topic(broker, "status"), OFFLINE, qos=QOS, retain=True)
    client.max_queued_messages_set(_UNCONFIRMED_MOST)
    client.reconnect_delay_set(1, _LONGEST_WAIT)
    if broker.protocol != "5":
        client.connect_async(broker.host, broker.port_number, int(broker.keep_alive))
        return client
    properties = lasting(int(broker.session_expiry))
    properties.ReceiveMaximum = receive_maximum
    client.connect_async(
        broker.host, broker.port_number, int(broker.keep_alive), clean_start=False, properties=properties
    )
    return client


def _tls(broker: BrokerTable) -> ssl.SSLContext:
    """Return a context that checks certificates and host names; there is no way to switch that off."""
    table = broker.tls
    try:
        context = ssl.create_default_context(cafile=table.ca if table else None)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if table and table.certificate and table.key:
            # An empty password instead of none: OpenSSL would otherwise ask on the terminal and wait.
            context.load_cert_chain(table.certificate, table.key, password="")
    except (ssl.SSLError, OSError) as exc:
        files = [str(file) for file in (table.ca, table.certificate, table.key) if file] if table else []
        raise SettingsError(
            f"[broker.tls]: {', '.join(files)} cannot be used ({exc}); PEM files are needed, a key that fits "
            "its certificate and has no pass phrase"
        ) from exc
    return context


def subscribe(client: Client, broker: BrokerTable, filters: Sequence[str]) -> int | None:
    """Subscribe at QoS 1 and return the packet id; retained messages are asked for once where MQTT 5 can."""
    if broker.protocol == "5":
        once = SubscribeOptions(qos=QOS, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
        return client.subscribe([(topic, once) for topic in filters])[1]
    return client.subscribe([(topic, QOS) for topic in filters])[1]
