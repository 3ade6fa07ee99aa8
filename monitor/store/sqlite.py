"""The port `Store` on one SQLite file."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from monitor.estimation.samples import FloatArray
from monitor.readings import Point, Reading, Rejected
from monitor.service.photos import Photo, PhotoNote
from monitor.service.ports import (
    NOTHING,
    Committed,
    DeviceProgress,
    Gap,
    NumberingCounts,
    Overdue,
    SavedState,
    SetBack,
)
from monitor.site import Visit
from monitor.store import copies, gaps, sequences, series, states, tables, visits
from monitor.store.database import Database
from monitor.store.eventbook import EventBook

KEEP_REJECTED: Final = 100_000
"""Refused payloads kept; at 2 KB each they take no more than 200 MB."""


class SqliteStore(EventBook):
    """Durable memory in one file; safe to call from any thread. Each method is one transaction.

    Parameters
    ----------
    path : Path
        File; made where there is none. Its folder must exist.
    keep_rejected : int
        How many refused payloads stay listed.

    Raises
    ------
    StoreError
        If the file cannot be used; each method raises it too where the disk or the file does not allow
        the step. Nothing is half done then, and the step can be tried again.
    """

    def __init__(self, path: Path, *, keep_rejected: int = KEEP_REJECTED) -> None:
        super().__init__(Database(path))
        self._keep_rejected = keep_rejected

    @property
    def database(self) -> Database:
        """The file itself, for its upkeep."""
        return self._database

    @property
    def path(self) -> Path:
        """Where the store is."""
        return self._database.path

    def commit(
        self,
        readings: Sequence[Reading],
        rejected: Sequence[Rejected],
        analysed: Mapping[str, float] = NOTHING,
    ) -> Committed:
        """Store readings and refused payloads; return the readings that were new.

        The first value of a (site, point, time) stays; a repeat is ignored, and another value joins the refused
        payloads. What carries a number that has come is ignored too, refused payloads and those readings that
        have no other time of their own; readings with another number and a time that was told before are kept
        apart. A reading that no database can hold (not finite, no sensible time) joins the refused payloads.
        What is new at a site and not later than ``analysed`` makes its analysis overdue.
        """
        good = [reading for reading in readings if tables.storable(reading)]
        refused = [
            *rejected,
            *(tables.as_rejected(reading) for reading in readings if not tables.storable(reading)),
        ]
        if not good and not refused:
            return Committed()
        with self._database.write() as db:
            sifted = sequences.sift(db, good, refused)
            new = tables.insert_readings(db, sifted.readings)
            retold, second = sequences.keep_apart(db, sifted, new)
            if sifted.rejected or second:
                tables.insert_rejected(db, [*sifted.rejected, *second], self._keep_rejected)
            states.note_overdue(db, new, analysed)
        return Committed(
            new,
            sifted.devices,
            sifted.gaps,
            sifted.set_backs,
            retold,
            sifted.untracked,
            sifted.restart,
        )

    def gaps(self, site: str | None = None, *, open_only: bool = False, limit: int = 1000) -> list[Gap]:
        """Return gaps in the numbers of devices (those that speak for a site), newest first."""
        with self._database.read() as db:
            return gaps.select_gaps(db, site, open_only=open_only, limit=limit)

    def set_backs(self, site: str | None = None, *, limit: int = 1000) -> list[SetBack]:
        """Return when clocks of devices were set back, newest first."""
        with self._database.read() as db:
            return gaps.select_set_backs(db, site, limit)

    def retold(self, site: str, point: Point, limit: int = 1_000_000) -> list[Reading]:
        """Return the newest readings of a time that their device had told before, in the order they came."""
        with self._database.read() as db:
            return gaps.select_retold(db, site, point, limit)

    def retold_count(self, site: str) -> int:
        """Return how many readings of a site are kept whose time their device had told before."""
        with self._database.read() as db:
            return gaps.count_retold(db, site)

    def numbering_counts(self) -> NumberingCounts:
        """Return counts over all devices that number."""
        with self._database.read() as db:
            return gaps.count(db)

    def progress(self, devices: Sequence[str]) -> list[DeviceProgress]:
        """Return what has come of each of these devices, those left out that do not number."""
        with self._database.read() as db:
            return gaps.select_progress(db, devices)

    def numbering_devices(self, since: float) -> list[str]:
        """Return the devices that number and were heard since ``since`` (epoch s)."""
        with self._database.read() as db:
            return gaps.select_devices(db, since)

    def overdue(self) -> Mapping[str, Overdue]:
        """Return the sites whose analysis has to be corrected."""
        with self._database.read() as db:
            return states.select_overdue(db)

    def save_state(self, site: str, state: SavedState, corrected: Overdue | None = None) -> None:
        """Keep the state of an analyser; with ``corrected`` in the place of what was overdue."""
        with self._database.write() as db:
            if corrected is not None:
                states.correct(db, site, corrected)
            states.insert_state(db, site, state)

    def saved_state(self, site: str, program: str, before: float = math.inf) -> SavedState | None:
        """Return the newest state that ``program`` saved of rows before ``before``."""
        with self._database.read() as db:
            return states.select_state(db, site, program, before)

    def readings(self, site: str, point: Point, start: float, end: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values with start <= time < end, ascending."""
        with self._database.read() as db:
            return series.select_readings(db, site, point, start, end)

    def readings_decimated(
        self, site: str, point: Point, start: float, end: float, limit: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return at most about ``limit`` readings of a span, peaks and dips kept, ascending."""
        with self._database.read() as db:
            return series.select_decimated(db, site, point, start, end, limit)

    def span(self, site: str) -> tuple[float, float] | None:
        """Return the times of the first and the last reading of a site."""
        with self._database.read() as db:
            return series.select_span(db, site)

    def latest(self, site: str) -> Mapping[Point, Reading]:
        """Return the newest reading of each point."""
        with self._database.read() as db:
            return series.select_latest(db, site)

    def rejected(self, limit: int) -> list[Rejected]:
        """Return the newest refused payloads, newest first."""
        with self._database.read() as db:
            return tables.select_rejected(db, limit)

    def rejected_count(self) -> int:
        """Return how many payloads were refused so far."""
        with self._database.read() as db:
            return tables.count_rejected(db)

    def add_visit(self, site: str, visit: Visit, photos: Sequence[Photo] = ()) -> bool:
        """Log a service visit with its photos, idempotent by (site, time, action); return whether it was new."""
        with self._database.write() as db:
            return visits.insert_visit(db, site, visit, photos)

    def visits(self, site: str) -> list[Visit]:
        """Return the visits of a site, oldest first."""
        with self._database.read() as db:
            return visits.select_visits(db, site)

    def photos(self, site: str) -> list[PhotoNote]:
        """Return what is known of the photos of a site's visits, without the pictures."""
        with self._database.read() as db:
            return visits.select_photos(db, site)

    def photo(self, site: str, number: int) -> Photo | None:
        """Return a photo of a site, None if it has none of that number."""
        with self._database.read() as db:
            return visits.select_photo(db, site, number)

    def integrity(self) -> list[str]:
        """Return what is wrong with the file, its sealed hours included; empty if it is sound."""
        with self._database.read() as db:
            return copies.faults(db)

    def close(self) -> None:
        """Release the file; waits for a write that is under way."""
        self._database.close()
