"""Receipts for devices: what they say, how often, and that the last state always goes out."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import StoreError
from monitor.readings import Origin, Point, Reading
from monitor.service import receipts
from monitor.service.ports import Committed
from monitor.service.receipts import Receipts
from monitor.service.sparing import LINES
from monitor.store.sqlite import SqliteStore
from monitor.web.machine import rfc3339

T0 = 1_767_225_600.0


class Source:
    """Keeps what is published."""

    def __init__(self) -> None:
        self.said: list[tuple[str, dict[str, Any]]] = []

    def publish(self, name: str, payload: bytes, *, retain: bool = True) -> None:
        assert retain
        self.said.append((name, json.loads(payload)))


class Bench:
    """Receipts on a real store, and a device that sends."""

    def __init__(self, path: Path) -> None:
        self.store = SqliteStore(path / "store.db")
        self.source = Source()
        self.receipts = Receipts(self.store, self.source)  # type: ignore[arg-type]

    def send(self, now: float, *numbers: int, device: str = "pump", boot: str = "a") -> Committed:
        rows = [
            Reading("s", Point.PRESSURE, T0 + number, 1.0, Origin(device, boot, number, T0 + now))
            for number in numbers
        ]
        committed = self.store.commit(rows, [])
        self.receipts.note(committed, T0 + now)
        return committed

    def turn(self, now: float) -> list[dict[str, Any]]:
        """Return what was said in a turn of the worker."""
        self.source.said.clear()
        self.receipts.publish(T0 + now)
        return [words for _, words in self.source.said]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path)
    yield one
    one.store.close()


def test_a_device_is_told_what_has_come(bench: Bench) -> None:
    bench.send(0, 1, 2, 5)
    assert bench.turn(0) == [
        {
            "device": "pump",
            "boot": "a",
            "through": 2,
            "highest": 5,
            "missing": [[3, 4]],
            "time": rfc3339(T0),
            "earlier": [],
        }
    ]
    assert bench.source.said[0][0] == "committed/pump"
    assert bench.turn(5) == []


def test_it_is_told_once_a_second_and_the_last_state_goes_out(bench: Bench) -> None:
    told = []
    for step in range(35):  # ten messages a second
        bench.send(step / 10, step + 1)
        told += [(step, words["through"]) for words in bench.turn(step / 10)]
    told += [(99, words["through"]) for words in bench.turn(9.9)]
    assert told == [(0, 1), (10, 11), (20, 21), (30, 31), (99, 35)]


def test_a_clock_that_goes_back_silences_nobody(bench: Bench) -> None:
    bench.send(1000, 1)
    bench.turn(1000)
    bench.send(0, 2)
    assert [words["through"] for words in bench.turn(0)] == [2]


def test_earlier_boots_stand_beside_the_last_one(bench: Bench) -> None:
    bench.send(0, 1, 2, 4)
    bench.send(10, 2, boot="b")
    (words,) = bench.turn(10)
    assert (words["boot"], words["through"], words["missing"]) == ("b", 0, [[1, 1]])
    assert words["earlier"] == [{"boot": "a", "through": 2, "highest": 4, "missing": [[3, 3]]}]
    bench.send(20, 3)  # what it still had of the boot before
    assert bench.turn(20)[0]["through"] == 4


def test_after_a_start_the_devices_of_the_last_days_are_told(bench: Bench) -> None:
    bench.send(0, 1, device="old")
    bench.send(6 * 86400, 1, 2, device="new")
    again = Receipts(bench.store, bench.source)  # type: ignore[arg-type]
    again.begin(T0 + 8 * 86400)
    bench.source.said.clear()
    again.publish(T0 + 8 * 86400)
    assert [(name, words["through"]) for name, words in bench.source.said] == [("committed/new", 2)]


def test_many_devices_are_told_in_several_turns(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(receipts, "AT_ONCE", 3)
    for number in range(40):
        bench.send(0, 1, device=f"d{number}")
    told = [words["device"] for _ in range(14) for words in bench.turn(0)]
    assert sorted(told) == sorted(f"d{number}" for number in range(40))
    assert bench.turn(5) == []


def test_a_store_that_refuses_is_asked_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: object) -> None:
        raise StoreError("the disk is full")

    bench.send(0, 1)
    with monkeypatch.context() as broken:
        broken.setattr(bench.store, "progress", refuse)
        assert bench.turn(0) == []
    assert [words["through"] for words in bench.turn(0.1)] == [1]


def test_each_gap_is_one_line_and_a_flood_is_cut(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, "cushionwatch.numbers"):
        bench.send(0, 1, 5)
        assert caplog.messages == ["device 'pump', boot 'a': 3 not received, numbers 2 to 4"]
        caplog.clear()
        bench.send(1, *range(7, 107, 2))
        assert len(caplog.messages) == LINES - 1
        caplog.clear()
        bench.send(70, 200)
        assert caplog.messages == [
            "41 more lines like these were left out",
            "device 'pump', boot 'a': 94 not received, numbers 106 to 199",
        ]


def test_a_clock_set_back_is_one_line(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, "cushionwatch.numbers"):
        bench.send(0, 1, 2)
        back = Reading("s", Point.PRESSURE, T0 - 3598.0, 1.0, Origin("pump", "a", 3, T0 + 5))
        bench.receipts.note(bench.store.commit([back], []), T0 + 5)
    assert caplog.messages == [
        "device 'pump', boot 'a': its clock went back by 3600 s at number 3; what it tells twice is kept apart"
    ]


def test_a_count_that_starts_anew_is_one_line(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.receipts.note(Committed(restart=["pump"], untracked=["other"]), T0)
    assert [line.split(":")[0] for line in caplog.messages] == ["device 'pump'", "device 'other'"]
    assert "must name another boot" in caplog.messages[0]
