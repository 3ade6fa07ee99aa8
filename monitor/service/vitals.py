"""The state of the service in numbers, for those who watch it from outside; read when somebody asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Protocol

from monitor.diagnosis.report import Verdict
from monitor.errors import StoreError
from monitor.service.ports import NumberingCounts, SourceHealth, Store

_FILES: Final = ("", "-wal", "-shm")
"""What the database puts behind the name of its file."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What the store says of itself; times in epoch seconds UTC, None where there is nothing."""

    rejected: int
    alerts_owed: int
    oldest_owed: float | None
    alerts_dead: int
    events: Mapping[str, int]
    numbers: NumberingCounts


@dataclass(frozen=True, slots=True)
class BrokerLimits:
    """What has been found out of the broker; None where it is not known.

    ``keeps``: how many messages it kept for an absent client, of ``tried``; ``dropped``: how many it says that
    it has dropped for any client since its start.
    """

    keeps: int | None = None
    tried: int | None = None
    dropped: int | None = None
    warnings: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Vitals:
    """The state of the service at one instant; ``kept`` None where the store cannot be read now.

    ``parts``: the threads that must run, and whether they do; ``stalled``: those that run but stand still.
    ``sites``: how many have which verdict, a silent one counted as blind.
    """

    version: str
    parts: Mapping[str, bool]
    stalled: Sequence[str]
    problems: Sequence[str]
    source: SourceHealth
    stored: int
    sites: Mapping[Verdict, int]
    kept: Kept | None
    store_bytes: int
    broker: BrokerLimits = field(default_factory=BrokerLimits)

    @property
    def ready(self) -> bool:
        """Tell whether nothing keeps the service from its work."""
        return not self.problems

    @property
    def alive(self) -> bool:
        """Tell whether every thread that must run does, and moves."""
        return all(self.parts.values()) and not self.stalled


class Watched(Protocol):
    """A service as those who watch it see it; for any thread."""

    def parts(self) -> Mapping[str, bool]:
        """Return the threads that must run, and whether they do; waits for nothing."""

    def stalled(self) -> Sequence[str]:
        """Return the parts that run but stand still; waits for nothing."""

    def warnings(self) -> Sequence[str]:
        """Return what a person should look at in calm; waits for nothing."""

    def look(self) -> Vitals:
        """Read the state of the service; never raises."""


def look_into(store: Store) -> Kept | None:
    """Return what the store says of itself; None where it cannot be read."""
    try:
        owed, oldest = store.owed_count()
        dead = len(store.dead_letters())
        return Kept(
            store.rejected_count(), owed, oldest, dead, store.active_counts(), store.numbering_counts()
        )
    except StoreError:
        return None


def bytes_of(store: Path) -> int:
    """Return the bytes that the files of a store take on the disk."""
    total = 0
    for end in _FILES:
        with suppress(OSError):  # the log comes and goes
            total += store.with_name(store.name + end).stat().st_size
    return total
