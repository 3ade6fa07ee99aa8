"""The service with a copy, as an operator runs it: killed while the copy drains, and told on the page."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import httpx
from broker import free_port, running_broker, wait_until
from running import Folder, publish, service
from tsdb import BUCKET, TOKEN, needs_influx, running_influx

from monitor.readings import Point, default_topic, encode_samples
from monitor.service.clock import SystemClock
from monitor.store.influx.ledger import Ledger

SITE = 'id = "mill-3"\n'
COUNT = 20_000
STATE = "SELECT verdict FROM cushionwatch_state WHERE site = 'mill-3'"


def copy_to(home: Folder, url: str) -> Path:
    """Add a copy to the settings of a service; return its ledger's file."""
    (home.path / "token").write_text(TOKEN + "\n")
    config = home.path / "service.toml"
    table = f'[timeseries]\nurl = "{url}"\nbucket = "{BUCKET}"\ntoken_file = "token"\ntimeout = "2 s"\n'
    config.write_text(config.read_text() + table)
    return home.path / "var" / "cushionwatch-copy.db"


def counts(path: Path) -> tuple[int, int, int]:
    ledger = Ledger(path)
    try:
        return ledger.counts()
    finally:
        ledger.close()


def run_copy(home: Folder) -> str:
    """Run ``cushionwatch copy``."""
    command = [sys.executable, "-m", "monitor", "copy", "--config", str(home.path / "service.toml")]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=30).stdout


@needs_influx
def test_killed_while_the_copy_drains_it_loses_and_doubles_nothing(tmp_path: Path) -> None:
    now = SystemClock().now() // 1
    samples = [(now - COUNT + step, 300.0 + step % 613 / 7) for step in range(COUNT)]
    topic = default_topic("mill-3", Point.PRESSURE)
    batches = [(topic, encode_samples(samples[at : at + 100], "kPa")) for at in range(0, COUNT, 100)]
    rng = random.Random(11)
    with (
        running_influx(tmp_path / "influx", started=False) as server,
        running_broker(tmp_path) as broker,
    ):
        home = Folder(tmp_path / "service", broker, SITE)
        path = copy_to(home, server.url)
        with service(home) as one:
            publish(broker, batches)
            wait_until(lambda: home.last("mill-3") >= now - 1, timeout=60, what="the last reading")
            assert counts(path)[0] >= COUNT // 3600
            server.start()
            for _ in range(3):
                time.sleep(rng.uniform(0.1, 0.6))
                assert one.stop(signal.SIGKILL) == -signal.SIGKILL
                one.start()
            wait_until(lambda: counts(path)[0] == 0, timeout=60, what="an empty ledger")
            wait_until(lambda: server.rows(STATE), timeout=20, what="a sample of the state")
            assert one.stop() == 0
        store = home.store()
        times, values = store.readings("mill-3", Point.PRESSURE, 0.0, 1e12)
        store.close()
        assert times.size == COUNT
        assert counts(path)[1:] == (0, 0)
        rows = server.rows("SELECT pressure_kpa FROM cushionwatch_reading WHERE site = 'mill-3'")
        assert [stamp / 1e6 for stamp, _ in rows] == times.tolist()
        assert [float(value) for _, value in rows] == values.tolist()
        assert run_copy(home) == "0 hours of a series are owed, 0 points were refused, 0 gaps are listed\n"
    assert TOKEN not in one.err.read_text()
    assert "Traceback" not in one.err.read_text()


def test_a_database_that_is_away_stops_neither_the_service_nor_its_end(tmp_path: Path) -> None:
    with running_broker(tmp_path) as broker:
        home = Folder(tmp_path / "service", broker, SITE)
        path = copy_to(home, f"http://127.0.0.1:{free_port()}")
        with service(home) as one:
            now = SystemClock().now()
            publish(
                broker, [(default_topic("mill-3", Point.PRESSURE), encode_samples([(now, 300.0)], "kPa"))]
            )
            wait_until(lambda: home.last("mill-3") > 0, what="a reading")
            wait_until(lambda: "the copy waits" in one.err.read_text(), what="a failed write")
            assert httpx.get(f"{home.url}/readyz", timeout=5).json()["ready"]
            assert one.stop() == 0
        assert counts(path)[0] >= 1
