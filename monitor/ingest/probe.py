"""Does the broker keep what waits for us, or drop it and tell nobody? Tried once, beside the real traffic.

A broker confirms a message to a device and may still drop it for an absent client whose queue is full; mosquitto
does beyond 1000 unless it is told otherwise, which a service that is down for an hour finds out too late. So a
second client with a session of its own goes away, is sent more messages than that, comes back and counts.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from paho.mqtt.client import topic_matches_sub

from monitor.errors import SettingsError
from monitor.ingest.client import own_topic
from monitor.ingest.line import Line, LineError, pause
from monitor.service.settings import BrokerTable

TRIED: Final = 3000
"""Messages that are sent: three times what mosquitto keeps by default, and little for any broker."""
PATIENCE: Final = 60.0
"""Seconds that sending or fetching all of them may take."""
QUIET: Final = 3.0
"""Seconds without another message after which the rest is taken for dropped."""
ALONE: Final = 1.5
"""Seconds in which the service would lose its connection if the broker took the second client for it."""
EXPIRY: Final = 600
"""Seconds after which a broker forgets the session of a check that was cut off (MQTT 5)."""
_LOOK: Final = 0.05
_SIDE_BY_SIDE: Final = (
    0.3  # seconds in which a broker that stops ends both; shorter than the wait to connect anew
)


class Kept(NamedTuple):
    """How many messages of those ``tried`` the broker kept for an absent client."""

    kept: int
    tried: int


class Unknown(NamedTuple):
    """Why it could not be found out; ``again``: it may be another time."""

    why: str
    again: bool


def keeps(
    broker: BrokerTable,
    filters: Sequence[str],
    connected: Callable[[], bool],
    stopping: Callable[[], bool],
    tried: int = TRIED,
) -> Kept | Unknown:
    """Find out how much the broker keeps; takes seconds.

    Parameters
    ----------
    broker : BrokerTable
        Where the broker is and how to log in.
    filters : Sequence[str]
        What the service reads: where that catches the messages of the check there is none, for they would
        stand in the queue of the readings.
    connected : Callable[[], bool]
        Whether the service itself is connected.
    stopping : Callable[[], bool]
        Ends the check early.
    tried : int
        Messages to send.
    """
    topic = own_topic(broker, "probe")
    for one in filters:
        if topic_matches_sub(one, topic):
            return Unknown(
                f"the filter {one!r} in [[topics]] would read the messages of the check", again=False
            )
    try:
        _stay_apart(broker, connected, stopping)
        try:
            return _count(broker, topic, tried, stopping)
        finally:
            _forget(broker, lambda: False)  # also at a stop: what lies there is of no use to anyone
    except LineError as error:
        return Unknown(str(error), again=error.again)
    except SettingsError as error:
        return Unknown(str(error), again=True)


def _stay_apart(broker: BrokerTable, connected: Callable[[], bool], stopping: Callable[[], bool]) -> None:
    """Make sure that the broker does not take the second client for the service itself.

    Some give each user one session whatever the client is called. The first connection therefore clears
    nothing, acknowledges nothing and asks for a session as long as that of the service: what waits there would
    still wait.
    """
    with Line(
        broker,
        _name(broker),
        own_topic(broker, "probe"),
        stopping,
        clean=False,
        expiry=int(broker.session_expiry),
    ) as line:
        until = time.monotonic() + ALONE
        while time.monotonic() < until and not stopping():
            if line.ended:
                raise LineError("the broker ended the connection of the check", again=True)
            if not connected():
                pause(_SIDE_BY_SIDE)
                if line.ended:
                    raise LineError("the broker ended both connections", again=True)
                raise LineError(
                    "the service lost its connection when the check connected; if the broker gives each user one "
                    "session, the check must be off (check_queue = false in [broker])",
                    again=False,
                )
            pause(_LOOK)


def _count(broker: BrokerTable, topic: str, tried: int, stopping: Callable[[], bool]) -> Kept | Unknown:
    word = secrets.token_hex(4)
    sent = [f"{word} {number}".encode() for number in range(tried)]
    _forget(broker, stopping)
    with Line(
        broker, _name(broker), own_topic(broker, "probe"), stopping, clean=False, expiry=EXPIRY
    ) as line:
        line.subscribe()
    with Line(broker, f"{_name(broker)}-sender", topic, stopping, clean=True, expiry=0) as line:
        line.publish(sent, PATIENCE)
    with Line(
        broker, _name(broker), own_topic(broker, "probe"), stopping, clean=False, expiry=EXPIRY
    ) as line:
        came = line.fetch(set(sent), PATIENCE, QUIET)
    if not came:
        return Unknown(
            f"nothing came back of what was sent to {topic!r}; may we write and read it?", again=False
        )
    return Kept(came, tried)


def _forget(broker: BrokerTable, stopping: Callable[[], bool]) -> None:
    """Have the broker forget the session of the second client, and what waits there."""
    with Line(broker, _name(broker), own_topic(broker, "probe"), stopping, clean=True, expiry=0):
        pass


def _name(broker: BrokerTable) -> str:
    return f"{broker.client_id}-probe"
