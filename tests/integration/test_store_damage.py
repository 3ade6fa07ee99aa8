"""A store that is damaged, and a row that cannot be read: both are told, and the rest works on."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from broker import wait_until

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.service.ports import Alert
from monitor.store.ballast import MB, Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

PAGE = 4096
T0 = 1.7e9
SOUND, OTHER = "mill", "home"


def some(count: int, start: int = 0) -> list[Reading]:
    return [Reading(SOUND, Point.PRESSURE, T0 + start + step, 1.0) for step in range(count)]


def upkeep(store: SqliteStore) -> Upkeep:
    ballast = Ballast(store.path.with_suffix(".ballast"), 1 * MB)
    ballast.take()
    return Upkeep(store.database, SystemClock(), Keep(), ballast)


@pytest.fixture
def damaged(tmp_path: Path) -> Iterator[SqliteStore]:
    path = tmp_path / "store.db"
    store = SqliteStore(path)
    store.commit(some(5000), [])
    store.close()
    whole = bytearray(path.read_bytes())
    whole[-3 * PAGE : -2 * PAGE] = b"\x55" * PAGE
    path.write_bytes(whole)
    store = SqliteStore(path)
    yield store
    store.close()


def test_a_damaged_store_is_a_problem_that_stays(damaged: SqliteStore) -> None:
    kept = upkeep(damaged)
    assert kept.problems() == []
    kept.start()
    wait_until(lambda: bool(kept.problems()), what="the look for damage")
    assert kept.stop()
    told = kept.problems()[0]
    assert f"the store {damaged.path} is damaged (" in told
    assert "keep a copy of the file, and restore the last backup with `cushionwatch restore`" in told
    assert kept.problems().count(told) == 1


def test_a_sound_store_is_no_problem_and_a_writer_is_not_in_the_way(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    store.commit(some(5000), [])
    kept = upkeep(store)
    with store.database.write():  # a look that waited for the writer would never end
        assert kept.check()
    assert kept.problems() == []
    store.close()


def test_a_look_gives_way_to_the_end_of_the_service(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    store.commit(some(50_000), [])
    kept = upkeep(store)
    kept.stop()
    assert not kept.check()
    assert kept.problems() == []
    store.close()


def test_an_event_that_cannot_be_read_stops_no_other(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    store = SqliteStore(tmp_path / "store.db")
    bad = Finding(Fault.BLIND, T0, T0, Severity.MEDIUM, 0.99, "", "", "", {})
    good = replace(bad, fault=Fault.AIR_CHARGE_LOW)
    store.raise_event(SOUND, bad, {})
    store.raise_event(OTHER, bad, {})
    with store.database.write() as db:
        db.execute("UPDATE event SET finding = '{}' WHERE number = 1")
    with caplog.at_level(logging.ERROR):
        alert = Alert("key", SOUND, "title", "body", "medium", T0)
        event = store.raise_event(SOUND, good, {"mail": alert})
        assert event is not None
        assert [one.number for one in store.events()] == [event.number, 2]
        assert [one.number for one in store.events(SOUND)] == [event.number]
        assert store.event(1) is None
        assert [one.event.number for one in store.unanswered()] == [event.number]
        assert store.end_event(SOUND, replace(bad, ended=T0 + 60), {}) is None
        assert store.end_event(OTHER, replace(bad, ended=T0 + 60), {}) is not None
        assert store.lapse(T0 + 1e6) == 0
    (record,) = caplog.records
    assert f"event 1 of site {SOUND} in {store.path} cannot be read (" in record.message
    assert "`cushionwatch restore` brings a backup back" in record.message
    store.close()
