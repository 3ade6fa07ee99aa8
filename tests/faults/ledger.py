"""What was sent, and how it compares with what the store holds."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from monitor.readings import Origin, Point, Reading
from monitor.store.sqlite import SqliteStore
from tests.faults.table import Row

KEPT: Final = 512
"""Bytes of a refused payload that the store keeps."""
ALL: Final = 10_000_000

Number = tuple[str, str, int]
"""Device, boot and sequence of a message."""


def _number(origin: Origin | None) -> Number | None:
    return None if origin is None else (origin.device, origin.boot, origin.sequence)


class Sample(NamedTuple):
    """A good reading as it was sent; ``stamp`` in microseconds."""

    stamp: int
    value: float


@dataclass
class Ledger:
    """Good readings by series and bad payloads, each with the number of its message where the device numbers.

    No two bad payloads are equal, and a device that does not number never speaks twice of one instant. ``either``
    has the payloads of good readings that may be refused as well: of a clock that is wrong.
    """

    good: dict[tuple[str, Point], list[tuple[Sample, Number | None]]] = field(default_factory=dict)
    bad: dict[tuple[str, bytes], Number | None] = field(default_factory=dict)
    either: dict[tuple[str, bytes], tuple[str, Point, Sample]] = field(default_factory=dict)

    def may_be_refused(self, topic: str, payload: bytes, one: Reading) -> None:
        """Note that a good reading may be listed as refused instead."""
        sample = Sample(round(one.time * 1e6), one.value)
        self.either[topic, payload[:KEPT]] = (one.site, one.point, sample)

    def reading(self, one: Reading) -> None:
        """Note a good reading."""
        sample = Sample(round(one.time * 1e6), one.value)
        self.good.setdefault((one.site, one.point), []).append((sample, _number(one.origin)))

    def refusal(self, topic: str, payload: bytes, origin: Origin | None = None) -> None:
        """Note a payload that has to be refused."""
        self.bad[topic, payload[:KEPT]] = _number(origin)

    @property
    def sent(self) -> int:
        """Return how many samples were sent."""
        return sum(map(len, self.good.values())) + len(self.bad)


@dataclass
class Found:
    """How a store compares with a ledger.

    ``lost``: neither stored nor listed, with their numbers; ``refused_again``: listed more than once, by devices
    that number and by others; ``strange``: stored or listed, and sent by nobody.
    """

    stored: int = 0
    retold: int = 0
    rejected: int = 0
    twice: int = 0
    strange: int = 0
    lost: list[Number | None] = field(default_factory=list)
    refused_again: int = 0
    numbered_again: int = 0
    gaps: set[Number] = field(default_factory=set)
    integrity: list[str] = field(default_factory=list)


def compare(ledger: Ledger, path: Path) -> Found:
    """Compare a ledger with a store that has taken all it will."""
    store = SqliteStore(path, keep_rejected=ALL)
    try:
        found = Found(integrity=store.integrity())
        refused = Counter((one.topic, one.payload) for one in store.rejected(ALL))
        excused = Counter(ledger.either[key] for key in refused.keys() & ledger.either.keys())
        for (site, point), sent in ledger.good.items():
            times, values = store.readings(site, point, 0.0, 1e12)
            held = [Sample(round(when * 1e6), value) for when, value in zip(times, values, strict=True)]
            told = [Sample(round(one.time * 1e6), one.value) for one in store.retold(site, point, ALL)]
            found.retold += len(told)
            mine = {sample: n for (*series, sample), n in excused.items() if tuple(series) == (site, point)}
            _series(found, sent, Counter([*held, *told]), Counter(mine))
        found.gaps = {
            (gap.device, gap.boot, number)
            for gap in store.gaps(open_only=True, limit=ALL)
            for number in range(gap.first, gap.last + 1)
        }
    finally:
        store.close()
    found.rejected += len(ledger.bad.keys() & refused.keys())
    found.strange += len(refused.keys() - ledger.bad.keys() - ledger.either.keys())
    found.lost += [number for key, number in ledger.bad.items() if key not in refused]
    for key, count in refused.items():
        if ledger.bad.get(key) is None:
            found.refused_again += count - 1
        else:
            found.numbered_again += count - 1
    return found


def _series(
    found: Found,
    sent: list[tuple[Sample, Number | None]],
    held: Counter[Sample],
    excused: Counter[Sample],
) -> None:
    for sample, number in sent:
        if held[sample] > 0:
            held[sample] -= 1
            found.stored += 1
        elif excused[sample] > 0:
            excused[sample] -= 1
            found.rejected += 1
        else:
            found.lost.append(number)
    known = {sample for sample, _ in sent}
    for sample, count in held.items():
        if sample in known:
            found.twice += count
        else:
            found.strange += count


def enter(row: Row, ledger: Ledger, found: Found) -> None:
    """Add what was found to a row, and the promises that go with it."""
    row.sent = (row.sent or 0) + ledger.sent
    row.stored = (row.stored or 0) + found.stored
    row.rejected = (row.rejected or 0) + found.rejected
    row.lost = (row.lost or 0) + len(found.lost)
    row.twice = (row.twice or 0) + found.twice
    row.gaps = (row.gaps or 0) + len(found.gaps)
    row.require(not found.lost, "sent = stored + rejected")
    row.require(found.twice == 0, "each reading once")
    row.require(found.numbered_again == 0, "what a numbered message was refused for is listed once")
    row.require(found.strange == 0, "nothing is stored or refused that was not sent so")
    row.require(found.gaps == {one for one in found.lost if one}, "gaps are listed where numbers are missing")
    row.require(found.integrity == [], f"the file is sound {found.integrity[:1]}")
