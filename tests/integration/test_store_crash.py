"""A process that stores is killed at any moment: all that it was told is stored is there, once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from monitor.readings import Point
from monitor.store.sqlite import SqliteStore

KILLS = int(os.environ.get("STORE_KILLS", "10"))
"""Kills in this run; a nightly run asks for more."""

BATCH = 20
ROOT = Path(__file__).parents[2]

CHILD = f"""
import pathlib, sys
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.readings import Point, Reading, Rejected
from monitor.service.ports import Alert
from monitor.store.sqlite import SqliteStore
store = SqliteStore(pathlib.Path(sys.argv[1]))
number = int(sys.argv[2])
while True:
    # The batch before comes again, as a broker hands over again what was not acknowledged.
    batch = range((number - 1) * {BATCH}, (number + 1) * {BATCH})
    store.commit([Reading("mill-3", Point.PRESSURE, float(t), t + 0.5) for t in batch if t >= 0], [])
    finding = Finding(Fault.BLIND, 0.0, float(number), Severity.LOW, 0.5, "", "", "")
    site = f"site-{{number}}"  # at one site they would be a fault that comes and goes, and be told once
    store.raise_event(site, finding, {{"mail": Alert(str(number), site, "t", "b", "low", 0.0)}})
    print("acked", number, flush=True)
    number += 1
"""


def run_until_killed(path: Path, first: int, seconds: float) -> int:
    """Let a child store from batch ``first`` on, kill it ``seconds`` after its first; return the last acked."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), str(first)], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert child.stdout is not None
    lines = [child.stdout.readline()]
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    lines += child.stdout.readlines()
    child.stdout.close()
    assert child.wait(10) == -signal.SIGKILL
    whole = [line for line in lines if line.endswith("\n")]
    return int(whole[-1].split()[1])


def test_what_was_acknowledged_is_there_exactly_once_after_each_kill(tmp_path: Path) -> None:
    seed = random.randrange(1 << 32)  # from the seed that the run prints at its top
    rng = random.Random(seed)
    path = tmp_path / "store.db"
    acked = -1
    for _ in range(KILLS):
        acked = run_until_killed(path, acked + 1, rng.uniform(0.0, 0.08))
        store = SqliteStore(path)
        times, values = store.readings("mill-3", Point.PRESSURE, 0.0, 1e12)
        events = store.events(limit=1_000_000)
        owed = store.due_deliveries(0.0, 1_000_000)
        assert store.integrity() == []
        store.close()
        # One more step than was acknowledged may have reached the disk, in whole batches and in order.
        assert len(times) in {(acked + 1) * BATCH, (acked + 2) * BATCH}, f"seed {seed}"
        assert times.tolist() == [float(step) for step in range(len(times))]
        assert (values == times + 0.5).all()
        assert len(events) in {acked + 1, acked + 2}
        assert [event.finding.raised for event in reversed(events)] == list(range(len(events)))
        assert [delivery.alert.key for delivery in owed] == [str(number) for number in range(len(events))]
