"""Which numbers of a device have come on which lane, as bits; each function runs in its caller's transaction.

A lane is a topic: devices may give messages on several topics one number. What is stored and what is refused of
a message have the same lane, since a message without a time stamp that comes again is refused the second time.
512 numbers of a lane are one row, so that a thousand readings cost a handful of rows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from hashlib import blake2b
from typing import Final

import apsw

from monitor.store.numbering import Boot

BLOCK: Final = 512
"""Numbers in a row."""
BLOCKS_KEPT: Final = 8192
"""Rows kept of a boot: a million numbers on three lanes, more than two weeks of one a second (650 kB)."""


class Known(Enum):
    """What is known of a number on a lane; ``FORGOTTEN``: so old that nobody knows any more."""

    NEW = "new"
    TAKEN = "taken"
    FORGOTTEN = "forgotten"


@lru_cache(maxsize=10_000)
def lane_of(topic: str) -> int:
    """Return the lane of a topic; nobody can find another topic that has it.

    >>> lane_of("cushionwatch/a/pressure") < 0
    True
    """
    name = blake2b(topic.encode(errors="backslashreplace"), digest_size=8).digest()
    return -1 - (int.from_bytes(name, "little") >> 1)


@dataclass(slots=True)
class _Row:
    bits: int
    is_new: bool
    changed: bool = False


class Taken:
    """The numbers of one transaction, beside those that came before it."""

    def __init__(self, db: apsw.Connection) -> None:
        self._db = db
        self._rows: dict[tuple[int, int, int], _Row] = {}
        self._heard: dict[tuple[int, int, int], float] = {}
        self._grown: set[int] = set()

    def take(self, boot: Boot, lane: int, sequence: int, heard: float) -> Known:
        """Note a number; several samples of one message (``heard`` at one time) share it."""
        place = sequence // BLOCK
        if place <= boot.forgotten:
            return Known.FORGOTTEN
        row = self._row(boot, place, lane)
        bit = 1 << sequence % BLOCK
        if row.bits & bit:
            same = self._heard.get((boot.id, lane, sequence)) == heard
            return Known.NEW if same else Known.TAKEN
        row.bits |= bit
        row.changed = True
        self._heard[boot.id, lane, sequence] = heard
        return Known.NEW

    def write(self, boots: Iterable[Boot]) -> None:
        """Write down what was noted of boots; beyond `BLOCKS_KEPT` rows of one the lowest numbers are forgotten."""
        live = {boot.id for boot in boots}
        self._db.executemany(
            "INSERT OR REPLACE INTO taken (numbering, block, lane, bits) VALUES (?, ?, ?, ?)",
            [
                (*place, row.bits.to_bytes(BLOCK // 8, "little"))
                for place, row in self._rows.items()
                if row.changed and place[0] in live
            ],
        )
        for number in self._grown & live:
            self._forget(number)

    def _row(self, boot: Boot, place: int, lane: int) -> _Row:
        key = (boot.id, place, lane)
        row = self._rows.get(key)
        if row is None:
            found = self._db.execute(
                "SELECT bits FROM taken WHERE numbering = ? AND block = ? AND lane = ?", key
            ).fetchone()
            row = (
                _Row(0, is_new=True)
                if found is None
                else _Row(int.from_bytes(found[0], "little"), is_new=False)
            )
            self._rows[key] = row
            if row.is_new:
                self._grown.add(boot.id)
        return row

    def _forget(self, number: int) -> None:
        # The rows are in the order of their numbers: a look from the highest down finds the first too many.
        low = self._db.execute(
            "SELECT block FROM taken WHERE numbering = ? ORDER BY block DESC LIMIT 1 OFFSET ?",
            (number, BLOCKS_KEPT),
        ).fetchone()
        if low is not None:
            self._db.execute("DELETE FROM taken WHERE numbering = ? AND block <= ?", (number, low[0]))
            self._db.execute("UPDATE numbering SET forgotten = ? WHERE id = ?", (low[0], number))
