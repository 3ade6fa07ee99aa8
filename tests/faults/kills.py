"""The service killed with -9, or told to end, again and again under load."""

from __future__ import annotations

import random
import signal
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from broker import Broker
from running import publish
from sinks import http_sink

from tests.faults import alerts
from tests.faults.ledger import compare, enter
from tests.faults.load import Load
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.story import Story, copies
from tests.faults.table import Row

PLANT: Final = "waterlogged"
EARLY: Final = 0.2
"""Share of the kills that do not wait until the service has subscribed."""


def kills(times: int, rate: float, seed: int, *, rounds: int = 1, sites: int = 200, stories: int = 4) -> Row:
    """Kill the service ``times`` times in all, in ``rounds`` with a new data folder each."""
    row = Row(f"kill -9 of the service, {rate:g}/s", means="killed until subscribed again")
    rng = random.Random(seed)
    for number in range(rounds):
        count = times // rounds + (number < times % rounds)
        _round(row, _Kill(rng), count, rate, rng, site_names(sites), stories)
    return row


def stops(times: int, rate: float, seed: int, *, sites: int = 200, stories: int = 4) -> Row:
    """Tell the service to end ``times`` times; nothing may then even be refused twice."""
    row = Row(f"SIGTERM of the service, {rate:g}/s", means="told to end until subscribed again")
    rng = random.Random(seed)
    _round(row, _Stop(), times, rate, rng, site_names(sites), stories)
    return row


class _Kill:
    crashes = True

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng

    def __call__(self, place: Place, row: Row) -> None:
        if self._rng.random() < EARLY:
            place.stop(signal.SIGKILL)
            place.start(until="watching")
            time.sleep(self._rng.uniform(0.0, 1.0))
        row.require(place.stop(signal.SIGKILL) == -signal.SIGKILL, "the service ran until it was killed")


class _Stop:
    crashes = False

    def __call__(self, place: Place, row: Row) -> None:
        row.require(place.stop() == 0, "told to end it ends in order")


def _round(
    row: Row,
    end: _Kill | _Stop,
    times: int,
    rate: float,
    rng: random.Random,
    sites: Sequence[str],
    stories: int,
) -> None:
    with tempfile.TemporaryDirectory() as name, http_sink() as sink:
        told = copies(PLANT, stories, Path(name))
        with broker_and_place(Path(name), sites, alerts=sink.url) as (broker, place):
            for story in told:
                (place.path / "sites" / f"{story.site.id}.toml").write_text(story.toml)
            place.start()
            load = place.ends(Load(broker.port, sites, rate, rng.randrange(1 << 30)))
            teller = threading.Thread(target=_tell, args=(broker, told, rng.randrange(1 << 30)), daemon=True)
            load.start()
            teller.start()
            for _ in range(times):
                time.sleep(rng.uniform(0.1, 1.0))
                row.times += 1
                began = time.monotonic()
                end(place, row)
                place.start()
                row.took(time.monotonic() - began)
            teller.join()
            ledger = load.finish()
            total = ledger.sent + sum(story.sent() for story in told)
            drained = place.drain(total)
            expected = [start for story in told for start in story.references]
            alerts.settle(place.store_file, 30 + 2 * stories, len(expected))
            row.require(place.stop() == 0, "told to end it ends in order")
            found = compare(ledger, place.store_file)
            enter(row, ledger, found)
            if not end.crashes:
                row.require(found.refused_again == 0, "nothing is refused twice without a crash")
            alerts.enter(row, sink, place.store_file, times if end.crashes else 0, expected)
            row.require("Traceback" not in place.log, "no traceback")
            row.notes.append(
                f"{ledger.sent / load.took:.0f} messages/s were sent; drained {drained:.1f} s after the last; "
                f"{found.refused_again} refusals without a number listed again"
            )


def _tell(broker: Broker, stories: Sequence[Story], seed: int) -> None:
    rng = random.Random(seed)
    for story in stories:
        publish(broker, story.messages(rng), after=5)
