"""The health of the service, asked from outside over HTTP while its parts are taken away one by one."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NoReturn

import httpx
import pytest
from broker import Broker, free_port, running_broker, wait_until
from prometheus_client.parser import text_string_to_metric_families
from running import Folder, Service, publish, service

from monitor.alerting.people import Book
from monitor.dispatch import Dispatch
from monitor.ingest.mqtt import MqttSource
from monitor.running import Parts
from monitor.running import Service as Running
from monitor.service.clock import SystemClock
from monitor.service.ports import Message
from monitor.service.settings import BrokerTable
from monitor.site import Site
from monitor.store.sqlite import SqliteStore
from monitor.web.serve import listen

SITE = 'id = "a"\nunit = "kPa"\n'
TOPIC = "cushionwatch/a/pressure"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Folder, Broker, Service]]:
    with running_broker(tmp_path) as broker:
        folder = Folder(tmp_path / "service", broker, SITE)
        with service(folder) as one:
            yield folder, broker, one


def ask(folder: Folder, path: str) -> httpx.Response:
    return httpx.get(folder.url + path, timeout=10)


def metrics(folder: Folder) -> dict[str, float]:
    answer = ask(folder, "/metrics")
    assert answer.status_code == 200
    return {
        sample.name + "".join(f"{{{value}}}" for value in sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }


def test_a_service_that_works_says_so_in_each_way(running: tuple[Folder, Broker, Service]) -> None:
    folder, broker, _ = running
    publish(broker, [(TOPIC, b"412.5"), (TOPIC, b"not a number")])
    wait_until(lambda: metrics(folder)["cushionwatch_readings_stored_total"] == 1, what="the reading")
    health = ask(folder, "/healthz")
    assert (health.status_code, health.headers["content-type"]) == (200, "application/json")
    parts = dict.fromkeys(["worker", "alerts", "teller", "upkeep", "page"], True)
    assert health.json() == {"alive": True, "parts": parts, "stalled": []}
    assert ask(folder, "/readyz").json() == {"ready": True, "problems": [], "warnings": []}
    wait_until(lambda: metrics(folder)["cushionwatch_sites{learning}"] == 1, what="the verdict")
    found = metrics(folder)
    assert found["cushionwatch_readings_rejected_total"] == 1
    assert found["cushionwatch_ready"] == found["cushionwatch_broker_connected"] == 1
    assert found["cushionwatch_problems"] == found["cushionwatch_alerts_owed"] == 0
    assert 0 <= SystemClock().now() - found["cushionwatch_last_message_timestamp_seconds"] < 60
    assert found["cushionwatch_store_bytes"] > 0
    assert found["process_start_time_seconds"] > 1.7e9


def test_metrics_keep_to_the_pages_rules(running: tuple[Folder, Broker, Service]) -> None:
    folder, _, _ = running
    for path in ("/metrics", "/healthz", "/readyz"):
        foreign = httpx.get(folder.url + path, headers={"Host": "evil.example"}, timeout=10)
        assert foreign.status_code == 400
        assert "cushionwatch_" not in foreign.text
        headers = ask(folder, path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "default-src 'self'" in headers["content-security-policy"]
        assert httpx.post(folder.url + path, timeout=10).status_code == 405


def test_without_a_broker_it_lives_and_is_not_ready(running: tuple[Folder, Broker, Service]) -> None:
    folder, broker, _ = running
    broker.stop()
    wait_until(lambda: not folder.ready(), timeout=20, what="the loss of the broker")
    ready = ask(folder, "/readyz")
    assert ready.status_code == 503
    assert "no connection to the broker" in ready.json()["problems"][0]
    assert ask(folder, "/healthz").status_code == 200
    found = metrics(folder)
    assert found["cushionwatch_ready"] == found["cushionwatch_broker_connected"] == 0
    assert found["cushionwatch_problems"] == 1
    broker.start()
    wait_until(folder.ready, timeout=90, what="the broker's return")
    assert metrics(folder)["cushionwatch_ready"] == 1


def test_while_the_store_refuses_it_lives_and_is_not_ready(running: tuple[Folder, Broker, Service]) -> None:
    """Another program holds the file: what comes is not acknowledged, and kept by the broker."""
    folder, broker, _ = running
    other = sqlite3.connect(folder.path / "var" / "cushionwatch.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    publish(broker, [(TOPIC, b"412.5")])
    wait_until(lambda: not folder.ready(), timeout=60, what="the refusal")
    problems = ask(folder, "/readyz").json()["problems"]
    assert any("another program holds the file" in problem for problem in problems)
    assert ask(folder, "/healthz").status_code == 200  # a new start would not help
    assert metrics(folder)["cushionwatch_readings_stored_total"] == 0
    other.execute("ROLLBACK")
    other.close()
    wait_until(folder.ready, timeout=60, what="the store's return")
    assert metrics(folder)["cushionwatch_readings_stored_total"] == 1


def test_a_store_that_cannot_be_read_is_told_and_the_rest_goes_on(
    running: tuple[Folder, Broker, Service],
) -> None:
    folder, _, _ = running
    store = folder.path / "var" / "cushionwatch.db"
    store.rename(store.with_suffix(".away"))
    try:
        assert ask(folder, "/healthz").status_code == 200
        answer = ask(folder, "/readyz")
        assert (answer.status_code, answer.json()["ready"]) == (503, False)
        assert "cushionwatch.db" in answer.json()["problems"][0]
        found = metrics(folder)
        assert found["cushionwatch_store_readable"] == found["cushionwatch_ready"] == 0
        assert found["cushionwatch_broker_connected"] == 1
        assert "cushionwatch_alerts_owed" not in found
    finally:
        store.with_suffix(".away").rename(store)
    assert ask(folder, "/readyz").status_code == 200


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_worker_that_has_ended_is_told_while_the_page_lives_on(tmp_path: Path) -> None:
    """A fault of ours that no step of the worker catches: in the command the process ends then."""

    def fail(_: Message) -> NoReturn:
        raise ZeroDivisionError

    with (
        running_broker(tmp_path) as broker,
        closing(SqliteStore(tmp_path / "store.db")) as store,
        listen("127.0.0.1", free_port(), search=True) as listener,
    ):
        clock = SystemClock()
        table = BrokerTable(host="127.0.0.1", port=broker.port)
        source = MqttSource(table, ("cushionwatch/+/+",), clock)
        parts = Parts({"a": Site("a")}, source, fail, store, Dispatch(Book([])), sys.stdout, clock, clock)
        one = Running(parts, listener)
        one.start()
        try:
            wait_until(lambda: one.ready, timeout=30, what="readiness")
            assert httpx.get(f"{one.url}/healthz", timeout=10).status_code == 200
            broker.publish(TOPIC, "412.5")
            wait_until(lambda: not one.alive, timeout=20, what="the end of the worker")
            health = httpx.get(f"{one.url}/healthz", timeout=10)
            assert (health.status_code, health.json()["parts"]["worker"]) == (503, False)
            problems = httpx.get(f"{one.url}/readyz", timeout=10).json()["problems"]
            assert "the worker has ended; restart the service" in problems
            text = httpx.get(f"{one.url}/metrics", timeout=10).text
            assert 'cushionwatch_part_running{part="worker"} 0.0' in text
        finally:
            one.stop()
