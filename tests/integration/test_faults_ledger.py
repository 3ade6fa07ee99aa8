"""The comparison of what was sent with what a store holds: it finds each kind of difference."""

from __future__ import annotations

from pathlib import Path

from monitor.readings import Origin, Point, Reading, Rejected
from monitor.store.sqlite import SqliteStore
from tests.faults.ledger import Ledger, compare, enter
from tests.faults.table import Row, table

T0 = 1_790_000_000.0


def sent(count: int) -> tuple[Ledger, list[Reading]]:
    ledger = Ledger()
    readings = [
        Reading("a", Point.PRESSURE, T0 + n, 300.0 + n, Origin("device", "boot", n, T0 + n))
        for n in range(count)
    ]
    for one in readings:
        ledger.reading(one)
    ledger.refusal("t", b"bad")
    return ledger, readings


def row_of(tmp_path: Path, ledger: Ledger, readings: list[Reading], rejected: list[Rejected]) -> Row:
    path = tmp_path / "store.db"
    store = SqliteStore(path)
    store.commit(readings, rejected)
    store.close()
    row = Row("fault")
    enter(row, ledger, compare(ledger, path))
    return row


BAD = Rejected(T0, "t", "reason", b"bad")


def test_what_is_all_there_keeps_every_promise(tmp_path: Path) -> None:
    ledger, readings = sent(10)
    row = row_of(tmp_path, ledger, readings, [BAD])
    assert row.broken == []
    assert (row.sent, row.stored, row.rejected, row.lost, row.twice, row.gaps) == (11, 10, 1, 0, 0, 0)
    assert row.verdict == "kept"
    assert "kept" in table([row])


def test_a_lost_reading_a_lost_refusal_and_the_gap_are_counted(tmp_path: Path) -> None:
    ledger, readings = sent(10)
    row = row_of(tmp_path, ledger, [*readings[:4], *readings[5:]], [])
    assert row.broken == ["sent = stored + rejected"]
    assert (row.stored, row.rejected, row.lost, row.gaps) == (9, 0, 2, 1)
    assert "BROKEN" in table([row])


def test_another_value_is_lost_and_strange(tmp_path: Path) -> None:
    ledger, readings = sent(3)
    other = Reading("a", Point.PRESSURE, T0, 1.0, readings[0].origin)
    row = row_of(tmp_path, ledger, [other, *readings[1:]], [BAD])
    assert row.lost == 1
    assert "nothing is stored or refused that was not sent so" in row.broken


def test_what_may_be_refused_counts_as_rejected_where_it_is_listed(tmp_path: Path) -> None:
    ledger, readings = sent(3)
    ledger.may_be_refused("t", b"ahead", readings[0])
    row = row_of(
        tmp_path, ledger, readings[1:], [BAD, Rejected(T0, "t", "ahead", b"ahead", readings[0].origin)]
    )
    assert row.broken == []
    assert (row.stored, row.rejected) == (2, 2)
