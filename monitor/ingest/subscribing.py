"""Which topics a connection asks the broker for, and what becomes of the answer."""

from __future__ import annotations

from collections.abc import Sequence

from paho.mqtt.client import Client
from paho.mqtt.reasoncodes import ReasonCode

from monitor.ingest import refusals
from monitor.ingest.client import subscribe
from monitor.ingest.drops import DROPPED
from monitor.ingest.telling import Telling
from monitor.service.settings import BrokerTable


class Subscriptions:
    """The topic filters of readings, for which a refusal is told, and the broker's count of what it dropped."""

    def __init__(self, broker: BrokerTable, filters: Sequence[str], telling: Telling, where: str) -> None:
        self._broker = broker
        self._filters = tuple(filters)
        self._telling = telling
        self._where = where
        self._asked: int | None = None

    def ask(self, client: Client) -> None:
        """Ask for everything; called for each connection."""
        self._asked = subscribe(client, self._broker, self._filters)
        client.subscribe(DROPPED, 0)  # where it is refused nothing is told: it is no reading

    def answered(self, number: int, reasons: Sequence[ReasonCode]) -> bool:
        """Tell of the broker's answer; return whether it was that for the readings."""
        if number != self._asked:
            return False
        refused = [
            refusals.unreadable(topic, reason.getName(), self._where)
            for topic, reason in zip(self._filters, reasons, strict=False)
            if reason.is_failure
        ]
        for words in refused:
            self._telling.trouble(words)
        if not refused:
            how = f"MQTT {self._broker.protocol}{', TLS' if self._broker.uses_tls else ''}"
            self._telling.well(f"connected to the broker at {self._where} and subscribed ({how})")
        return True
