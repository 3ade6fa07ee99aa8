"""Clocks that are set: those of the devices and that of the service, by an hour either way; and the two days of a
year on which local time jumps.

The service's clock is set by libfaketime, where it is installed.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from monitor.service.clock import SystemClock
from tests.faults.load import Load
from tests.faults.network import finish
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.table import Row

HOUR: Final = 3600.0
LONDON: Final = ZoneInfo("Europe/London")
CHANGES: Final = (datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC))
"""When the clocks of London go forward and back: once an hour of local time is missing, once it comes twice."""
MISSING: Final = "libfaketime is not installed (apt-get install libfaketime): the service's clock was not set"


class Wrong:
    """A clock that is off by ``offset`` [s]."""

    def __init__(self) -> None:
        self.offset = 0.0
        self._clock = SystemClock()

    def now(self) -> float:
        """Return what it shows [epoch s]."""
        return self._clock.now() + self.offset


class FakedTime:
    """The clock of a process under libfaketime; its monotonic clock stays as it is."""

    def __init__(self, folder: Path) -> None:
        libraries = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
        self.library = libraries[0] if libraries else None
        self._file = folder / "faketime"
        self.set(0.0)

    @property
    def environment(self) -> Mapping[str, str]:
        """Return what a process needs to have this clock."""
        if self.library is None:
            return {}
        return {
            "LD_PRELOAD": str(self.library),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "FAKETIME_DONT_RESET": "1",
        }

    def set(self, offset: float) -> None:
        """Put it ``offset`` s ahead of the machine's."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{offset:+.3f}s\n")
        new.replace(self._file)


def clock_steps(phase: float, rate: float, seed: int, *, sites: int = 50) -> Row:
    """Set the devices' clock and then the service's, an hour forth and back and back and forth, every ``phase`` s."""
    row = Row(f"clocks set by an hour, {rate:g}/s")
    with _place(sites) as (place, port, faked):
        wrong = Wrong()
        place.start(environment=faked.environment)
        load = place.ends(Load(port, site_names(sites), rate, seed, wrong.now))
        load.start()
        time.sleep(phase)
        for offset in (HOUR, 0.0, -HOUR, 0.0):
            row.times += 1
            _all(load, ahead=offset > 0)
            wrong.offset = offset
            time.sleep(phase)
        _all(
            load, ahead=True
        )  # to a service whose clock is behind they are; some of it is on its way already
        time.sleep(phase)
        for offset in (HOUR, 0.0, -HOUR, 0.0) if faked.library else ():
            row.times += 1
            faked.set(offset)
            time.sleep(phase)
        if faked.library is None:
            row.notes.append(MISSING)
        finish(row, load, place)
        _nothing_found(row, place)
    return row


def summer_time(phase: float, rate: float, seed: int, *, sites: int = 50, days: int = 2) -> Row:
    """Live through the last ``days`` of the jumps, ``phase`` s before and after each; half the devices stamp it."""
    row = Row(f"summer time begins and ends, {rate:g}/s")
    for change in CHANGES[-days:]:
        with _place(sites) as (place, port, faked):
            if faked.library is None:
                row.skipped = MISSING
                return row
            row.times += 1
            offset = change.timestamp() - phase - SystemClock().now()
            began = time.monotonic()
            faked.set(offset)
            wrong = Wrong()
            wrong.offset = offset
            place.start(environment={**faked.environment, "TZ": "Europe/London"})
            slack = time.monotonic() - began  # the start has taken some of the time before the jump
            load = place.ends(Load(port, site_names(sites), rate, seed, wrong.now, LONDON))
            load.start()
            time.sleep(max(phase - slack, 0.0) + phase)
            finish(row, load, place)
            _nothing_found(row, place)
    return row


@contextmanager
def _place(sites: int) -> Iterator[tuple[Place, int, FakedTime]]:
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(sites)) as (broker, place),
    ):
        yield place, broker.port, FakedTime(Path(name))


def _all(load: Load, *, ahead: bool) -> None:
    for device in load.devices:
        device.step(ahead=ahead)


def _nothing_found(row: Row, place: Place) -> None:
    store = place.store()
    try:
        found = store.events()
        retold = sum(store.retold_count(site) for site in site_names(50))
        back = len(store.set_backs(limit=1_000_000))
    finally:
        store.close()
    row.require(not found, f"no finding comes of a clock {[event.finding.fault for event in found[:3]]}")
    row.notes.append(f"{retold} readings of an instant that was told before, {back} set-backs listed")
