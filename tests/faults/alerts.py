"""Alerts as a receiver sees them, against what the store owed."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import apsw
from sinks import HttpSink

from tests.faults.table import Row

_REFERENCE: Final = re.compile(r"reference (\S+)\. The same reference twice")


def references(sink: HttpSink) -> Counter[str]:
    """Return how often each key came in."""
    found: Counter[str] = Counter()
    for message in sink.received:
        keys = _REFERENCE.findall(message["message"])
        if len(keys) != 1:
            raise ValueError(f"an alert without its one key: {message['message']!r}")
        found[keys[0]] += 1
    return found


def deliveries(store: Path) -> dict[str, str]:
    """Return the state of all that the store ever owed, by key; also while a service writes."""
    connection = apsw.Connection(str(store), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        connection.set_busy_timeout(5000)
        return {str(key): str(state) for key, state in connection.execute("SELECT key, state FROM delivery")}
    finally:
        connection.close()


def settle(store: Path, timeout: float, least: int = 0) -> None:
    """Wait until ``least`` alerts or more were owed and none is any more, but no longer than ``timeout`` s."""
    deadline = time.monotonic() + timeout
    while time.monotonic() < deadline:
        states = list(deliveries(store).values())
        if len(states) >= least and "owed" not in states:
            return
        time.sleep(0.1)


def enter(row: Row, sink: HttpSink, store: Path, crashes: int, expected: Iterable[str] = ()) -> None:
    """Add to a row what came in; ``expected``: how keys begin of which there must be one each."""
    owed, came = deliveries(store), references(sink)
    repeats = sum(came.values()) - len(came)
    row.owed = (row.owed or 0) + len(owed)
    row.delivered = (row.delivered or 0) + len(came)
    row.sent_twice = (row.sent_twice or 0) + repeats
    row.missing = (row.missing or 0) + len(owed.keys() - came.keys())
    row.require(owed.keys() == came.keys(), "each alert that is owed is delivered, and no other")
    row.require(set(owed.values()) <= {"delivered"}, "what was delivered is struck off")
    row.require(repeats <= crashes, "at most one repeat for each crash")
    for start in expected:
        count = sum(key.startswith(start) for key in owed)
        row.require(count == 1, f"one alert for {start} (found {count})")
