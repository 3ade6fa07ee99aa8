"""The service as an operator runs it: a real broker, the command itself, signals, kills and restarts.

The oracle is the offline analysis of the same log: live, killed or restarted, the findings are the same.
"""

from __future__ import annotations

import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import httpx
import numpy as np
import pytest
from broker import Broker, free_port, running_broker, wait_until
from running import Folder, publish, service

from monitor.diagnosis.faults import Fault, Finding
from monitor.estimation.samples import Samples
from monitor.ingest.logfile import read_log
from monitor.readings import Point, default_topic, encode_samples
from monitor.service.clock import SystemClock
from monitor.service.pipeline import examine
from monitor.service.settings import load_site
from monitor.site import Site
from simulator.catalogue import PLANTS
from simulator.files import write_all
from simulator.recording import simulate

DAY = 86400.0
LENGTH = 20 * 3600.0
"""Seconds of the log: so short that the service never holds the wait for the next message for a silence."""
UNITS = {Point.PRESSURE: "kPa", Point.HEATER: "", Point.TEMPERATURE: "degC"}


class Log(NamedTuple):
    site: Site
    samples: Samples
    findings: list[Finding]
    toml: str


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Log:
    """Return 20 hours of a waterlogged home that end now, and what the offline analysis says of them."""
    folder = tmp_path_factory.mktemp("log")
    epoch = SystemClock().now() // 10 * 10 - DAY
    write_all(simulate(replace(PLANTS["waterlogged"](), unit="kPa"), 1, 1, epoch), folder, "csv")
    site = load_site(folder / "SITE.toml")
    samples = read_log(folder / "READINGS.csv", site.unit).samples
    samples = samples.between(int(np.searchsorted(samples.time, epoch + DAY - LENGTH)), len(samples))
    found = list(examine(site, samples, [], lambda _: None).findings)
    assert Fault.AIR_CUSHION_LOST in {one.fault for one in found}
    return Log(site, samples, found, (folder / "SITE.toml").read_text())


def messages(log: Log, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield the log as messages of random length; of each stretch the states come before the pressure."""
    rng = random.Random(seed)
    samples = log.samples
    columns = {
        Point.TEMPERATURE: samples.temperature.tolist(),
        Point.HEATER: samples.heater.tolist(),
        Point.PRESSURE: samples.pressure.tolist(),
    }
    times, first = samples.time.tolist(), 0
    while first < len(times):
        last = first + rng.randint(1, 200)
        for point in columns:
            rows = zip(times[first:last], columns[point][first:last], strict=True)
            known = [(when, value) for when, value in rows if value == value]  # noqa: PLR0124 - not NaN
            if known:
                yield default_topic(log.site.id, point), encode_samples(known, UNITS[point])
        first = last
    # One more word from the site, so that the last rows are final.
    yield default_topic(log.site.id, Point.HEATER), encode_samples([(times[-1] + 20.0, 0.0)], "")


@pytest.fixture
def folder(tmp_path: Path, log: Log) -> Iterator[tuple[Folder, Broker]]:
    with running_broker(tmp_path) as broker:
        yield Folder(tmp_path / "service", broker, log.toml), broker


def test_a_log_sent_live_gives_the_findings_of_the_same_log_read_offline(
    folder: tuple[Folder, Broker], log: Log
) -> None:
    home, broker = folder
    with service(home) as one:
        publish(broker, messages(log, seed=1))
        wait_until(lambda: home.last(log.site.id) > log.samples.time[-1], timeout=60, what="the last reading")
        wait_until(lambda: len(home.findings(log.site.id)) == len(log.findings), what="all events")
        assert one.stop() == 0
    assert home.findings(log.site.id) == log.findings
    heard = one.out.read_text()
    raised = [f"reference {log.site.id}/{found.fault}/" for found in log.findings]
    assert all(heard.count(reference) >= 1 for reference in raised)

    # Started again, it replays what it stored and says nothing twice.
    with service(home) as again:
        assert again.stop(signal.SIGINT) == 0
    assert home.findings(log.site.id) == log.findings
    assert again.out.read_text() == heard
    assert "Traceback" not in again.err.read_text()


def test_killed_again_and_again_it_loses_nothing(folder: tuple[Folder, Broker], log: Log) -> None:
    home, broker = folder
    sender = threading.Thread(target=publish, args=(broker, messages(log, seed=2), 20))
    rng = random.Random(3)
    with service(home) as one:
        sender.start()
        for _ in range(3):
            time.sleep(rng.uniform(0.05, 0.4))
            assert one.stop(signal.SIGKILL) == -signal.SIGKILL
            one.start()
        sender.join()
        wait_until(lambda: home.last(log.site.id) > log.samples.time[-1], timeout=60, what="the last reading")
        wait_until(lambda: len(home.findings(log.site.id)) >= len(log.findings), what="all events")
        assert one.stop() == 0
    store = home.store()
    time_stored, value = store.readings(log.site.id, Point.PRESSURE, 0.0, 1e12)
    assert store.integrity() == []
    assert store.rejected_count() == 0
    assert store.dead_letters() == store.due_deliveries(1e12, 10) == []
    store.close()
    assert time_stored.tolist() == log.samples.time.tolist()
    assert value.tolist() == log.samples.pressure.tolist()
    assert home.findings(log.site.id) == log.findings


def test_without_a_broker_it_says_so_and_comes_to_itself(folder: tuple[Folder, Broker], log: Log) -> None:
    home, broker = folder
    with service(home) as one:
        broker.stop()
        wait_until(lambda: not home.ready(), timeout=20, what="the loss of the broker")
        assert "no connection to the broker" in httpx.get(home.url).text
        broker.start()
        wait_until(home.ready, timeout=30, what="the broker's return")
        began = time.monotonic()
        assert one.stop() == 0
        assert time.monotonic() - began < 10
    log_lines = one.err.read_text().splitlines()
    words = [line.split(" ", 3)[-1] for line in log_lines]
    on = f"connected to the broker at 127.0.0.1:{broker.port} and subscribed (MQTT 5)"
    assert words[0].startswith(f"watching 1 site; broker 127.0.0.1:{broker.port}; page {home.url}")
    assert words.count(on) == 2
    assert any("was lost" in line for line in words[words.index(on) :])
    assert all(re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ [A-Z]+ ", line) for line in log_lines)


def run_once(config: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "monitor", *command, "--config", str(config)],
        capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip


def test_a_busy_port_of_the_page_is_one_message(folder: tuple[Folder, Broker]) -> None:
    home, _ = folder
    other = home.path / "other.toml"
    other.write_text((home.path / "service.toml").read_text().replace('"var"', '"other"'))
    with service(home):
        second = run_once(other, "run")
    assert second.returncode == 2
    assert f"the page cannot listen on 127.0.0.1 port {home.port}" in second.stderr
    assert "Traceback" not in second.stderr


def test_a_second_service_on_one_data_folder_is_refused_until_the_first_has_ended(
    folder: tuple[Folder, Broker], log: Log
) -> None:
    home, _ = folder
    config = home.path / "service.toml"
    other = home.path / "other.toml"  # another page and another name of the folder do not help
    text = config.read_text().replace(f"port = {home.port}", f"port = {free_port()}")
    other.write_text(text.replace('"var"', '"sites/../var"'))
    with service(home) as one:
        second = run_once(other, "run")
        assert (second.returncode, second.stdout) == (2, "")
        assert second.stderr.count("\n") == 1
        assert "sites/../var is in use by another service (process" in second.stderr
        assert f"(process {one.process.pid if one.process else 0})" in second.stderr
        assert "two would send every alert twice; stop that one first" in second.stderr
        # Commands that only add or read go on working.
        visit = ("visit", log.site.id, "--action", "gauged", "--precharge", "60 psi")
        assert run_once(config, *visit).returncode == 0
        assert run_once(config, "rejected").stdout == "0 refused so far\n"
        assert run_once(config, "alert", "--test").returncode == 0
        assert one.stop(signal.SIGKILL) == -signal.SIGKILL
        one.start()  # the kernel has released the lock
        assert one.stop() == 0
