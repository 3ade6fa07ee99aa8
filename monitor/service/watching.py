"""The service as those who watch it see it: which threads run and move, and its state in numbers."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final, NamedTuple

from monitor.diagnosis.report import Verdict
from monitor.errors import StoreError
from monitor.service.ports import Board, ServiceHealth, SourceHealth, Store
from monitor.service.progress import PATIENCE, Progress
from monitor.service.vitals import BrokerLimits, Vitals, bytes_of, look_into

WORKER: Final = "worker"
"""Name of the part that all readings go through."""


class Part(NamedTuple):
    """A thread that must run; ``beat`` changes with each turn of its loop, None where it may wait for long."""

    alive: Callable[[], bool]
    beat: Callable[[], int] | None = None


@dataclass(frozen=True, slots=True)
class Sources:
    """Where the state of a service is read; ``words``: the verdicts that were last said of the sites."""

    board: Board
    store: Store
    path: Path
    words: Callable[[], Sequence[str]]
    source: Callable[[], SourceHealth]
    limits: Callable[[], BrokerLimits]


class Watch:
    """Fills `monitor.service.vitals.Watched` for a running service.

    Parameters
    ----------
    sources : Sources
        Where its state is read.
    monotonic : Callable[[], float]
        Seconds that pass evenly.
    """

    def __init__(self, sources: Sources, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._sources = sources
        self._monotonic = monotonic
        self.patience = PATIENCE
        """Seconds without a turn after which a part stands still."""
        self._parts: dict[str, Part] = {}
        self._progress = Progress()
        self._stored = 0

    def add(self, name: str, part: Part) -> None:
        """Watch a part too; before the start."""
        self._parts[name] = part

    def parts(self) -> Mapping[str, bool]:
        """Return the threads that must run, and whether they do; waits for nothing."""
        return {name: part.alive() for name, part in self._parts.items()}

    def stalled(self) -> list[str]:
        """Return the parts that run but have not moved for `patience` seconds; waits for nothing."""
        beats = {
            name: part.beat() for name, part in self._parts.items() if part.beat is not None and part.alive()
        }
        return self._progress.stalled(beats, self._monotonic(), self.patience)

    def standing_still(self) -> list[str]:
        """Return the parts that have ended or do not move; waits for nothing."""
        return [name for name, runs in self.parts().items() if not runs] + self.stalled()

    def warnings(self) -> Sequence[str]:
        """Return what a person should look at in calm; waits for nothing."""
        return self._sources.limits().warnings

    def look(self) -> Vitals:
        """Read the state of the service; never raises."""
        found = self._sources
        try:
            health = found.board.health()
            self._stored = health.stored
        except StoreError as error:
            health = ServiceHealth(0.0, found.source(), self._stored, 0, (str(error),))
        return Vitals(
            version=program_version(),
            parts=self.parts(),
            stalled=self.stalled(),
            problems=health.problems,
            source=health.source,
            stored=health.stored,
            sites=Counter(Verdict(word) for word in found.words()),
            kept=look_into(found.store),
            store_bytes=bytes_of(found.path),
            broker=found.limits(),
        )


def program_version() -> str:
    """Return the version of this program, ``unknown`` where it runs without being installed."""
    try:
        return version("cushionwatch")
    except PackageNotFoundError:
        return "unknown"
