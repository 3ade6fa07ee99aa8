"""What is owed to the copy: marks, takes, bounds, and a commit that is under way."""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.readings import Point, Reading
from monitor.store.influx.ledger import EVENTS, Ledger

EPOCH = 1_767_225_600.0


def pressure(*times: float) -> list[Reading]:
    return [Reading("a", Point.PRESSURE, time, 1.0) for time in times]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    one = Ledger(tmp_path / "copy.db", most=5)
    yield one
    one.close()


def owe(ledger: Ledger, *times: float) -> None:
    with ledger.owing(pressure(*times)):
        pass


def test_an_hour_is_one_row_however_many_readings_it_has(ledger: Ledger) -> None:
    owe(ledger, EPOCH + 5, EPOCH + 1)
    owe(ledger, EPOCH + 3, EPOCH + 9, EPOCH + 3600)
    spans = ledger.take(10)
    assert [(span.first_us / 1e6, span.last_us / 1e6) for span in spans] == [
        (EPOCH + 1, EPOCH + 9),
        (EPOCH + 3600, EPOCH + 3600),
    ]


def test_what_comes_while_a_row_is_being_sent_is_owed_apart(ledger: Ledger) -> None:
    owe(ledger, EPOCH)
    sent = ledger.take(10)
    owe(ledger, EPOCH + 1)
    assert ledger.take(10) == sent  # until it is struck off, also after a restart
    ledger.strike(sent, 0.0)
    (span,) = ledger.take(10)
    assert (span.first_us, span.last_us) == (round((EPOCH + 1) * 1e6),) * 2


def test_no_mark_is_taken_before_its_commit_is_over(ledger: Ledger) -> None:
    taken: list[int] = []
    with ledger.owing(pressure(EPOCH)):
        other = threading.Thread(target=lambda: taken.append(len(ledger.take(10))))
        other.start()
        other.join(0.2)
        assert taken == []
    other.join(5)
    assert taken == [1]


def test_a_commit_that_fails_leaves_its_mark(ledger: Ledger) -> None:
    with pytest.raises(OSError, match="disk"), ledger.owing(pressure(EPOCH)):
        raise OSError("disk")
    assert ledger.counts() == (1, 0, 0)


def test_what_no_store_can_hold_is_not_owed(ledger: Ledger) -> None:
    owe(ledger, math.nan, -1.0, math.inf)
    assert ledger.counts() == (0, 0, 0)


def test_the_bound_makes_one_gap_of_neighbouring_hours_and_spares_what_is_being_sent(ledger: Ledger) -> None:
    owe(ledger, EPOCH)
    assert len(ledger.take(10)) == 1
    owe(ledger, *(EPOCH + 3600 * hour for hour in range(1, 9)))
    assert ledger.trim(EPOCH) == 4
    (gap,) = ledger.gaps(10)
    assert (gap.first_us / 1e6, gap.last_us / 1e6) == (EPOCH + 3600, EPOCH + 4 * 3600)
    assert ledger.trim(EPOCH) == 0
    assert ledger.counts() == (5, 0, 1)


def test_a_refused_point_is_listed_once(ledger: Ledger) -> None:
    assert ledger.set_aside("m v=1 1", "why", EPOCH)
    assert not ledger.set_aside("m v=1 1", "why", EPOCH + 1)
    assert ledger.set_aside("m v=2 1", "why", EPOCH + 2)
    assert ledger.counts() == (0, 2, 0)
    assert [row.line for row in ledger.aside(1)] == ["m v=2 1"]


def test_estimates_are_owed_once_whatever_is_sampled_again(ledger: Ledger) -> None:
    known = [(10, "c 10"), (20, "c 20")]
    for newest in (1, 2, 2):
        ledger.sample("a", "s", lambda since, n=newest: [row for row in known[:n] if row[0] > since])
    lines = ledger.lines(10)
    assert list(lines.values()) == ["c 10", "s", "c 20", "s", "s"]
    ledger.strike_lines(list(lines)[1])
    assert list(ledger.lines(10).values()) == ["c 20", "s", "s"]


def test_events_of_a_site_are_one_row(ledger: Ledger) -> None:
    for _ in range(3):
        with ledger.owing_events("a"):
            pass
    assert [(span.kind, span.site) for span in ledger.take(10)] == [(EVENTS, "a")]
