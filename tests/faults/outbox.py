"""The service killed between sending an alert and noting that, again and again."""

from __future__ import annotations

import random
import signal
import tempfile
from pathlib import Path
from typing import Final

from broker import running_broker
from sinks import http_sink

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.service.ports import Alert
from tests.faults import alerts
from tests.faults.place import Place, limits
from tests.faults.table import Row

ELSEWHERE: Final = "elsewhere"
"""Sites that the service does not watch, so that it adds nothing of its own; each has one event."""
T0: Final = 1_767_225_600.0


def outbox(kills: int, seed: int, *, most: int = 2) -> Row:
    """Kill it ``kills`` times, each at one of the first ``most`` alerts after its start."""
    row = Row("kill between send and note", times=kills)
    rng = random.Random(seed)
    with (
        tempfile.TemporaryDirectory() as name,
        http_sink() as sink,
        running_broker(Path(name), *limits()) as broker,
    ):
        place = Place(Path(name) / "service", broker.port, ["a"], alerts=sink.url)
        plan = [rng.randint(1, most) for _ in range(kills)]
        _owe(place, sum(plan) + 2)
        try:
            for at in plan:
                place.start(("-m", "tests.faults.wounded", f"die-at-mark:{at}"), until="watching")
                code = place.process.wait(60) if place.process is not None else None
                row.require(code == -signal.SIGKILL, "the service ran until it was killed")
            place.start()
            alerts.settle(place.store_file, 60)
            row.require(place.stop() == 0, "told to end it ends in order")
        finally:
            place.close()
        alerts.enter(row, sink, place.store_file, kills)
        most_of_one = max(alerts.references(sink).values())
        row.require("Traceback" not in place.log, "no traceback")
        row.notes.append(f"one alert came {most_of_one} times at most")
    return row


def _owe(place: Place, count: int) -> None:
    place.store_file.parent.mkdir()
    store = place.store()
    try:
        for number in range(count):
            finding = Finding(Fault.BLIND, T0, T0 + number, Severity.LOW, 0.5, "", "", "")
            alert = Alert(f"{ELSEWHERE}/{number}", ELSEWHERE, f"title {number}", "body", "low", T0)
            store.raise_event(f"{ELSEWHERE}-{number}", finding, {"desk": alert})
    finally:
        store.close()
