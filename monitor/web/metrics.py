"""The page ``/metrics``: the state of the service in the exposition format of Prometheus.

Nothing is counted here: each scrape reads the state as it is. No label grows with the number of sites.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.report import Verdict
from monitor.service.vitals import Kept, Vitals

_PREFIX: Final = "cushionwatch_"


class Exposition:
    """Answers scrapes; its registry is its own.

    Parameters
    ----------
    look : Callable[[], Vitals]
        Reads the state of the service.
    """

    def __init__(self, look: Callable[[], Vitals]) -> None:
        self._look = look
        self._registry = CollectorRegistry()
        self._registry.register(self)
        ProcessCollector(registry=self._registry)

    def collect(self) -> Iterator[Metric]:
        """Yield the families of one scrape; called by the registry."""
        return families(self._look())

    def answer(self, accept: str) -> tuple[bytes, str]:
        """Return the text and its type, in the format that the reader's ``Accept`` header asks for."""
        encode, kind = choose_encoder(accept)
        return encode(self._registry), kind


def families(vitals: Vitals) -> Iterator[Metric]:
    """Yield what is told of a state of the service."""
    yield _one("build_info", "The version that runs; always 1.", 1, version=vitals.version)
    yield _one("ready", "1 when readings can come in and be kept.", vitals.ready)
    yield _one("problems", "What keeps the service from its work; in words on /readyz.", len(vitals.problems))
    warnings = len(vitals.broker.warnings)
    yield _one("warnings", "What a person should look at in calm; in words on /readyz.", warnings)
    parts = _family("part_running", "1 for each part of the service that runs and moves.", "part")
    for name, runs in vitals.parts.items():
        parts.add_metric([name], runs and name not in vitals.stalled)
    yield parts
    yield _one("broker_connected", "1 while the broker has accepted us.", vitals.source.connected)
    if vitals.source.last_message is not None:
        words = "When the last message came, whatever it held."
        yield _one("last_message_timestamp_seconds", words, vitals.source.last_message)
    yield _count("readings_stored", "New readings put into the store since the start.", vitals.stored)
    sites = _family("sites", "Sites by verdict; one that is not heard counts as blind.", "verdict")
    for verdict in Verdict:
        sites.add_metric([verdict.value], vitals.sites.get(verdict, 0))
    yield sites
    yield _one("store_bytes", "Size of the store's files.", vitals.store_bytes)
    yield _one("store_readable", "1 when the store could be read for this answer.", vitals.kept is not None)
    if vitals.kept is not None:
        yield from _kept(vitals.kept)
    yield from _broker(vitals)


def _kept(kept: Kept) -> Iterator[Metric]:
    yield _count("readings_rejected", "Payloads and samples refused, kept with their reason.", kept.rejected)
    yield _one("alerts_owed", "Alerts that a channel has not confirmed yet.", kept.alerts_owed)
    if kept.oldest_owed is not None:
        words = "When the oldest alert that is still owed was raised."
        yield _one("alerts_oldest_owed_timestamp_seconds", words, kept.oldest_owed)
    yield _one("alerts_dead", "Alerts that were given up.", kept.alerts_dead)
    events = _family("events_active", "Faults that stand, by code.", "fault")
    for fault in Fault:
        events.add_metric([fault.value], kept.events.get(fault.value, 0))
    yield events
    numbers = kept.numbers
    yield _one("devices_numbering", "Devices that number their messages.", numbers.devices)
    yield _one("messages_missing", "Numbers that have not come and may still.", numbers.missing)
    yield _count("messages_lost", "Numbers that did not come within a week.", numbers.lost)
    yield _count("clocks_set_back", "Times that the clock of a device went back.", numbers.set_backs)


def _broker(vitals: Vitals) -> Iterator[Metric]:
    found = vitals.broker
    if found.keeps is not None and found.tried is not None:
        words = "Messages that the broker kept for an absent client when it was tried."
        yield _one("broker_kept_messages", words, found.keeps)
        words = "1 where the broker drops what waits for us without telling anyone."
        yield _one("broker_drops_waiting", words, found.keeps < found.tried)
    if found.dropped is not None:
        words = "Messages that the broker says it has dropped, for any client, since its own start."
        yield _count("broker_dropped_messages", words, found.dropped)


def _family(name: str, words: str, label: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(_PREFIX + name, words, labels=[label])


def _one(name: str, words: str, value: float, **labels: str) -> GaugeMetricFamily:
    family = GaugeMetricFamily(_PREFIX + name, words, labels=list(labels))
    family.add_metric(list(labels.values()), float(value))
    return family


def _count(name: str, words: str, value: float) -> CounterMetricFamily:
    family = CounterMetricFamily(_PREFIX + name, words)
    family.add_metric([], value)
    return family
