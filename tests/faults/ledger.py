"""What was sent, and how it compares with what the store holds."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from monitor.readings import Point, Reading
from monitor.store.sqlite import SqliteStore
from tests.faults.table import Row

KEPT: Final = 512
"""Bytes of a refused payload that the store keeps."""
ALL: Final = 10_000_000


@dataclass
class Ledger:
    """Good readings by series, and bad payloads, each of which is unlike every other."""

    good: dict[tuple[str, Point], dict[int, float]] = field(default_factory=dict)
    bad: set[tuple[str, bytes]] = field(default_factory=set)

    def reading(self, one: Reading) -> None:
        """Note a good reading; no two of a series may have one time."""
        series = self.good.setdefault((one.site, one.point), {})
        stamp = round(one.time * 1e6)
        if stamp in series:
            raise ValueError(f"two readings of {one.site} {one.point} at {one.time}")
        series[stamp] = one.value

    def refusal(self, topic: str, payload: bytes) -> None:
        """Note a payload that has to be refused."""
        self.bad.add((topic, payload[:KEPT]))

    @property
    def sent(self) -> int:
        """Return how many samples were sent."""
        return sum(map(len, self.good.values())) + len(self.bad)


@dataclass(frozen=True)
class Found:
    """How a store compares: ``lost`` by series, ``strange`` for what nobody sent or with another value."""

    stored: int
    rejected: int
    lost: dict[tuple[str, Point], list[int]]
    lost_refusals: list[tuple[str, bytes]]
    twice: int
    refused_again: int
    strange: int
    integrity: list[str]

    @property
    def missing(self) -> int:
        """Return how many samples are neither stored nor listed."""
        return sum(map(len, self.lost.values())) + len(self.lost_refusals)


def compare(ledger: Ledger, path: Path) -> Found:
    """Compare a ledger with the store of a service that has ended."""
    store = SqliteStore(path, keep_rejected=ALL)
    try:
        integrity = store.integrity()
        stored, twice, strange = 0, 0, 0
        lost: dict[tuple[str, Point], list[int]] = {}
        for (site, point), sent in ledger.good.items():
            times, values = store.readings(site, point, 0.0, 1e12)
            stamps = np.round(times * 1e6).astype(np.int64).tolist()
            held = dict(zip(stamps, values.tolist(), strict=True))
            twice += len(stamps) - len(held)
            same = {stamp for stamp, value in held.items() if sent.get(stamp) == value}
            stored += len(same)
            strange += len(held) - len(same)
            if gone := sorted(sent.keys() - same):
                lost[site, point] = gone
        refused = [(one.topic, one.payload) for one in store.rejected(ALL)]
    finally:
        store.close()
    listed = ledger.bad.intersection(refused)
    strange += len(set(refused) - ledger.bad)
    return Found(
        stored=stored,
        rejected=len(listed),
        lost=lost,
        lost_refusals=sorted(ledger.bad - listed),
        twice=twice,
        refused_again=len(refused) - len(set(refused)),
        strange=strange,
        integrity=integrity,
    )


def enter(row: Row, ledger: Ledger, found: Found) -> None:
    """Add what was found to a row, and the promise that goes with it."""
    row.sent = (row.sent or 0) + ledger.sent
    row.stored = (row.stored or 0) + found.stored
    row.rejected = (row.rejected or 0) + found.rejected
    row.lost = (row.lost or 0) + found.missing
    row.twice = (row.twice or 0) + found.twice
    row.require(found.missing == 0, "sent = stored + rejected")
    row.require(found.twice == 0, "each reading once")
    row.require(found.strange == 0, "nothing is stored or refused that was not sent so")
    row.require(found.integrity == [], f"the file is sound {found.integrity[:1]}")
