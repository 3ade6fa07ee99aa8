"""Readings that carry numbers, on a real file: nothing twice, nothing hidden, and each gap on the list."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import apsw
import pytest

from monitor.readings import Origin, Point, Reading, Rejected
from monitor.service.ports import BootProgress, DeviceProgress, Gap, GapState, SetBack
from monitor.store import copies, numbering, schema, taken
from monitor.store.ballast import Ballast
from monitor.store.influx.ledger import Ledger
from monitor.store.influx.store import CopiedStore
from monitor.store.numbering import DAY
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

T0 = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    yield opened
    assert opened.integrity() == []
    opened.close()


def reading(
    number: int,
    time: float,
    value: float = 1.0,
    *,
    device: str = "pump",
    boot: str = "a",
    point: Point = Point.PRESSURE,
    heard: float | None = None,
    site: str = "mill-3",
) -> Reading:
    """Return a reading; by default its message arrived when it was taken."""
    origin = Origin(device, boot, number, T0 + time if heard is None else T0 + heard)
    return Reading(site, point, T0 + time, value, origin)


def refusal(number: int, heard: float, topic: str = "t", boot: str = "a") -> Rejected:
    return Rejected(T0 + heard, topic, "no number", b"x", Origin("pump", boot, number, T0 + heard))


def stored(store: SqliteStore, point: Point = Point.PRESSURE) -> list[tuple[float, float]]:
    times, values = store.readings("mill-3", point, 0, math.inf)
    return [(time - T0, value) for time, value in zip(times.tolist(), values.tolist(), strict=True)]


def retold(store: SqliteStore, point: Point = Point.PRESSURE) -> list[tuple[int, float, float]]:
    return [
        (found.origin.sequence, found.time - T0, found.value)
        for found in store.retold("mill-3", point)
        if found.origin is not None
    ]


def gaps(store: SqliteStore) -> list[tuple[int, int, str]]:
    return sorted((gap.first, gap.last, gap.state.value) for gap in store.gaps())


def test_a_number_that_comes_again_is_dropped_where_it_has_the_time_of_its_arrival(
    store: SqliteStore,
) -> None:
    first = [reading(1, 10.0), reading(2, 20.0)]
    assert list(store.commit(first, []).new) == first
    assert store.commit([reading(2, 25.0, 9.0), reading(1, 10.0)], []).new == []
    assert stored(store) == [(10.0, 1.0), (20.0, 1.0)]
    assert store.retold("mill-3", Point.PRESSURE) == []
    assert store.gaps() == []


def test_a_device_that_starts_to_count_anew_in_one_boot_is_told_of(store: SqliteStore) -> None:
    store.commit([reading(number, 10.0 * number) for number in range(1, 6)], [])
    assert store.commit([reading(2, 20.0, heard=60.0)], []).restart == []
    assert store.commit([reading(1, 60.0), reading(2, 70.0)], []).restart == ["pump"]
    assert store.commit([reading(1, 60.0, boot="b"), reading(2, 70.0, boot="b")], []).restart == []


def test_a_device_that_counts_anew_in_one_boot_loses_nothing_that_has_a_time_of_its_own(
    store: SqliteStore,
) -> None:
    first = [reading(number, 10.0 * number, heard=1000.0 + number) for number in range(1, 101)]
    second = [reading(number, 5000.0 + 10.0 * number, 2.0, heard=9000.0 + number) for number in range(1, 101)]
    store.commit(first, [])
    committed = store.commit([replace(first[3], origin=origin_at(first[3], 8000.0)), *second], [])
    assert (list(committed.new), committed.restart) == (second, ["pump"])
    later = [replace(row, origin=origin_at(row, 9999.0)) for row in (*first, *second)]
    again = store.commit(later, [])
    assert (again.new, again.retold, again.restart, store.rejected_count()) == ([], 0, [], 0)
    assert len(stored(store)) == 200
    tidy(store, Keep())
    assert store.commit(later, []).new == []
    tail = [reading(number, 5000.0 + 10.0 * number, heard=9999.0) for number in range(101, 104)]
    assert list(store.commit(tail, []).new) == tail


def test_what_went_to_the_retold_stays_a_repeat_when_it_comes_again(store: SqliteStore) -> None:
    """One by the number before it, one whose stamp another boot has; in one batch with their repeats."""
    store.commit([reading(1, 50.0, boot="b", heard=90.0)], [])
    rows = [reading(1, 100.0, heard=110.0), reading(2, 60.0, 2.0, heard=111.0)]
    rows += [reading(3, 50.0, 2.0, heard=112.0)]
    again = [replace(row, origin=origin_at(row, 200.0)) for row in rows]
    committed = store.commit([*rows, *again], [])
    assert (len(committed.new), committed.retold, committed.restart) == (1, 2, [])
    committed = store.commit([replace(row, origin=origin_at(row, 300.0)) for row in rows], [])
    assert (committed.new, committed.retold, committed.restart) == ([], 0, [])
    assert [number for number, _, _ in retold(store)] == [2, 3]


def test_a_refusal_with_a_number_that_has_come_is_not_listed_again_by_its_time(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0, heard=20.0)], [refusal(2, 30.0)])
    store.commit([], [refusal(2, 99.0)])
    assert store.rejected_count() == 1


def origin_at(row: Reading, heard: float) -> Origin:
    """Return the origin of a reading as it is when its message is handed over again."""
    assert row.origin is not None
    return row.origin._replace(heard=T0 + heard)


def test_what_is_older_than_it_is_kept_stays_a_repeat(store: SqliteStore) -> None:
    row = reading(1, 100.0, heard=110.0)
    store.commit([row, reading(2, 40 * DAY)], [])
    tidy(store, Keep(readings=30 * DAY))
    committed = store.commit([replace(row, origin=origin_at(row, 40 * DAY + 1.0))], [])
    assert (committed.new, committed.restart) == ([], [])
    assert [time for time, _ in stored(store)] == [40 * DAY]


def test_a_message_handed_over_twice_within_one_batch_counts_once(store: SqliteStore) -> None:
    """Without a time stamp both have that of their arrival, and would be two readings."""
    batch = [reading(1, 10.0, heard=10.0), reading(1, 10.5, heard=10.5)]
    assert len(store.commit(batch, [refusal(2, 11.0), refusal(2, 11.5)]).new) == 1
    assert stored(store) == [(10.0, 1.0)]
    assert store.rejected_count() == 1


def test_samples_of_one_message_share_its_number(store: SqliteStore) -> None:
    def message(heard: float) -> list[Reading]:
        return [reading(7, time, time, heard=heard) for time in (3.0, 1.0, 2.0)]

    refused = [refusal(7, 5.0), refusal(7, 5.0)]
    assert len(store.commit(message(5.0), refused).new) == 3
    committed = store.commit(message(60.0), [refusal(7, 60.0), refusal(7, 60.0)])
    assert committed.new == []
    assert stored(store) == [(1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]
    assert store.rejected_count() == 2
    assert committed.devices == ["pump"]


def test_messages_of_several_points_may_have_one_number(store: SqliteStore) -> None:
    for point in Point:
        assert len(store.commit([reading(1, 10.0, point=point)], []).new) == 1
        assert len(store.commit([reading(1, 11.0, point=point)], []).new) == 0
    for topic in ("one", "other"):
        store.commit([], [refusal(1, 10.0, topic)])
        store.commit([], [refusal(1, 12.0, topic)])
    assert store.rejected_count() == 2


def test_a_message_is_stored_or_refused_but_not_both(store: SqliteStore) -> None:
    """Without a time stamp the second delivery of a message is refused: its time is unknown by then."""
    first = Origin("pump", "a", 1, T0, "t")
    row = Reading("mill-3", Point.PRESSURE, T0, 1.0, first)
    bad = Rejected(T0, "t", "time unknown", b"", first._replace(sequence=2))
    assert len(store.commit([row], [bad]).new) == 1
    again = [origin._replace(heard=T0 + 9) for origin in (first, first._replace(sequence=2))]
    refused = Rejected(T0 + 9, "t", "time unknown", b"", again[0])
    assert store.commit([Reading("mill-3", Point.PRESSURE, T0 + 9, 1.0, again[1])], [refused]).new == []
    assert store.rejected_count() == 1
    assert stored(store) == [(0.0, 1.0)]
    other = first._replace(topic="u", heard=T0 + 9)
    assert len(store.commit([Reading("mill-3", Point.HEATER, T0, 1.0, other)], []).new) == 1


def test_a_refusal_counts_as_come_and_is_listed_once(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0), reading(3, 30.0)], [refusal(2, 20.0)])
    store.commit([], [refusal(2, 40.0)])
    assert store.rejected_count() == 1
    assert store.gaps() == []
    more = Rejected(T0, "t", "and 2 more", b"", Origin("pump", "a", 4, T0), (Origin("pump", "a", 5, T0),))
    store.commit([], [more])
    store.commit([], [later(more)])
    assert store.rejected_count() == 2
    assert store.progress(["pump"])[0].boots[0].through == 5


def later(row: Rejected) -> Rejected:
    """Return a refusal as it comes when its message is handed over again."""
    assert row.origin is not None
    others = tuple(origin._replace(heard=T0 + 99) for origin in row.others)
    return Rejected(T0 + 99, row.topic, row.reason, row.payload, row.origin._replace(heard=T0 + 99), others)


def test_what_cannot_be_stored_joins_the_refusals_with_its_number(store: SqliteStore) -> None:
    for heard in (1.0, 2.0):
        store.commit([reading(1, 1.0, math.nan, heard=heard)], [])
    assert store.rejected_count() == 1
    assert store.progress(["pump"])[0].boots[0].through == 1


def test_readings_without_a_number_go_by_their_stamp_as_before(store: SqliteStore) -> None:
    plain = Reading("mill-3", Point.PRESSURE, T0, 5.0)
    assert store.commit([plain, reading(1, 1.0)], []).new == [plain, reading(1, 1.0)]
    assert store.commit([plain, Reading("mill-3", Point.PRESSURE, T0, 6.0)], []).new == []
    assert store.retold("mill-3", Point.PRESSURE) == []


def test_an_hour_told_twice_is_kept_apart_and_not_analysed(store: SqliteStore) -> None:
    """The clock goes back by 50 s at number 11: the same stamps come again, with other numbers."""
    store.commit([reading(number, 10.0 * number) for number in range(1, 11)], [])
    committed = store.commit([reading(number, 10.0 * number - 50.0, 2.0) for number in range(11, 21)], [])
    assert [found.time - T0 for found in committed.new] == [110.0, 120.0, 130.0, 140.0, 150.0]
    assert committed.retold == 5
    assert retold(store) == [(number, 10.0 * number - 50.0, 2.0) for number in range(11, 16)]
    assert len(stored(store)) == 15
    step = SetBack("pump", "a", 11, T0 + 100.0, T0 + 60.0, T0 + 150.0)
    assert committed.set_backs == [step]
    assert store.set_backs() == store.set_backs("mill-3") == [step]
    assert store.set_backs("other") == []
    again = store.commit([reading(number, 999.0) for number in range(1, 21)], [])
    assert (again.new, again.retold) == ([], 0)


def test_a_second_reading_of_the_same_instant_is_kept_too(store: SqliteStore) -> None:
    committed = store.commit([reading(1, 10.0, 1.0), reading(2, 10.0, 1.0)], [])
    assert (len(committed.new), committed.retold) == (1, 1)
    assert retold(store) == [(2, 10.0, 1.0)]
    assert store.set_backs() == []


def test_all_points_of_a_device_show_one_step(store: SqliteStore) -> None:
    numbers = iter(range(1, 1000))
    for start in (0.0, 100.0, 50.0):
        for time in range(10):
            batch = [reading(next(numbers), start + time, point=point) for point in Point]
            store.commit(batch, [])
    assert [(step.sequence, step.before - T0, step.after - T0) for step in store.set_backs()] == [
        (61, 109.0, 50.0)
    ]


def test_a_clock_that_goes_back_twice_made_two_steps(store: SqliteStore) -> None:
    times = [100.0, 110.0, 20.0, 30.0, 5.0, 15.0, 120.0]
    store.commit([reading(number, time) for number, time in enumerate(times, 1)], [])
    assert [step.sequence for step in store.set_backs()] == [5, 3]
    assert [number for number, _, _ in retold(store)] == [3, 4, 5, 6]


def test_a_late_batch_goes_the_normal_way(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0), reading(5, 50.0)], [])
    late = [reading(number, 10.0 * number, heard=60.0) for number in (4, 2, 3)]
    committed = store.commit(late, [])
    assert list(committed.new) == late
    assert (committed.retold, committed.set_backs) == (0, [])


def test_what_was_lost_while_the_clock_was_back_is_kept_apart_when_it_comes(store: SqliteStore) -> None:
    """1 to 10 at 10 s each, 11 to 15 at 42 to 82 s and lost, then the clock is right again."""
    store.commit([reading(number, 10.0 * number) for number in range(1, 11)], [])
    store.commit([reading(number, 10.0 * number) for number in (16, 17)], [])
    late = [reading(number, 10.0 * number - 68.0, 2.0, heard=200.0) for number in range(11, 16)]
    assert store.commit(late, []).new == []
    assert [number for number, _, _ in retold(store)] == [11, 12, 13, 14, 15]
    assert gaps(store) == [(11, 15, "filled")]


@pytest.mark.parametrize("cuts", [(), (10,), (11,), (10, 11)], ids=str)
def test_a_gap_that_another_point_shows_counts_for_all(store: SqliteStore, cuts: tuple[int, ...]) -> None:
    """As before, but the first number after the gap is one of the heater, in whatever batch it comes."""
    rows = [
        *(reading(number, 10.0 * number) for number in range(1, 11)),
        reading(16, 160.0, point=Point.HEATER),
        reading(17, 170.0),
    ]
    for first, last in pairwise([0, *cuts, len(rows)]):
        store.commit(rows[first:last], [])
    late = [reading(number, 10.0 * number - 68.0, 2.0, heard=200.0) for number in range(11, 16)]
    assert store.commit(late, []).new == []
    assert [number for number, _, _ in retold(store)] == [11, 12, 13, 14, 15]


def test_one_instant_twice_in_one_message_is_one_reading(store: SqliteStore) -> None:
    batch = [reading(1, 10.0, 1.0), reading(1, 10.0, 2.0)]
    assert store.commit(batch, []).new == batch[:1]
    again = [replace(row, origin=origin_at(row, 99.0)) for row in batch]
    assert store.commit(again, []).new == []
    assert [row.reason for row in store.rejected(9)] == [
        "a second value for one time stamp; the first, 1.0, stays"
    ]
    assert store.retold("mill-3", Point.PRESSURE) == []


def test_a_stamp_that_another_number_has_hides_nothing(store: SqliteStore) -> None:
    """Another boot has the same instant: no rule knows which clock was right, and both are kept."""
    store.commit([reading(1, 10.0, 1.0)], [])
    committed = store.commit([reading(1, 10.0, 2.0, boot="b"), reading(2, 20.0, 2.0, boot="b")], [])
    assert (len(committed.new), committed.retold) == (1, 1)
    found = store.retold("mill-3", Point.PRESSURE)
    assert [(row.value, row.origin) for row in found] == [(2.0, Origin("pump", "b", 1))]
    store.commit([reading(1, 10.0, 2.0, boot="b", heard=99.0)], [])
    assert len(store.retold("mill-3", Point.PRESSURE)) == 1


def test_a_gap_is_noticed_filled_in_parts_and_one_line_again(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0)], [])
    committed = store.commit([reading(10, 100.0)], [])
    gap = Gap("pump", "a", 2, 9, T0 + 100.0)
    assert list(committed.gaps) == store.gaps() == store.gaps("mill-3", open_only=True) == [gap]
    assert store.gaps("other") == []
    assert gap.count == 8
    store.commit([reading(number, 10.0 * number, heard=110.0) for number in (5, 3, 4)], [])
    assert gaps(store) == [(2, 2, "open"), (3, 5, "filled"), (6, 9, "open")]
    store.commit([], [refusal(number, 120.0) for number in (9, 8, 7, 6)])
    store.commit([reading(2, 20.0, heard=130.0)], [])
    assert store.gaps() == [Gap("pump", "a", 2, 9, T0 + 100.0, GapState.FILLED, T0 + 130.0)]
    assert store.gaps(open_only=True) == []


def test_a_gap_is_given_up_after_a_week_and_may_still_be_filled(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0), reading(4, 40.0)], [])
    assert store.progress(["pump"])[0].boots[0].through == 1
    week = 7 * DAY + 50.0
    store.commit([reading(5, 50.0, heard=week)], [])
    assert store.gaps() == [Gap("pump", "a", 2, 3, T0 + 40.0, GapState.LOST, T0 + week)]
    assert store.progress(["pump"])[0].boots[0].through == 5
    assert store.numbering_counts().lost == 2
    assert len(store.commit([reading(2, 20.0, heard=week + 1)], []).new) == 1
    assert gaps(store) == [(2, 2, "filled"), (3, 3, "lost")]


def test_a_device_is_told_how_far_it_may_forget(store: SqliteStore) -> None:
    store.commit([reading(number, float(number), boot="a") for number in (40, 41, 44)], [])
    store.commit([reading(number, 100.0 + number, boot="b") for number in (3, 4)], [])
    assert store.progress(["pump", "nobody"]) == [
        DeviceProgress(
            "pump",
            [
                BootProgress("b", 0, 4, [(1, 2)], T0 + 104.0),
                BootProgress("a", 41, 44, [(42, 43)], T0 + 44.0),
            ],
        )
    ]
    assert store.numbering_devices(T0 + 104.0) == ["pump"]
    assert store.numbering_devices(T0 + 105.0) == []
    counts = store.numbering_counts()
    assert (counts.devices, counts.open_gaps, counts.missing, counts.lost) == (1, 2, 4, 0)


def test_many_holes_are_told_from_the_oldest_and_bounded(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(numbering, "HOLES_MOST", 30)
    store.commit([reading(number, float(number)) for number in range(1, 100, 2)], [])
    told = store.progress(["pump"])[0].boots[0]
    states = [gap.state for gap in store.gaps()]
    assert states == [GapState.OPEN] * 30
    assert (told.through, told.highest, len(told.missing)) == (1, 99, 20)
    assert told.missing[:2] == [(2, 40), (42, 42)]
    # All that is asked for comes again, what came before as well.
    again = [reading(number, float(number), heard=200.0) for number in range(2, 41)]
    assert [found.time - T0 for found in store.commit(again, []).new] == [float(n) for n in range(2, 41, 2)]
    assert store.progress(["pump"])[0].boots[0].through == 41
    assert [found[:2] for found in gaps(store)][:2] == [(2, 40), (42, 42)]


def test_no_number_that_did_not_come_is_passed_within_a_week_however_many_are_missing(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One number in three is lost, some come late and are asked for again, and number 2 never comes."""
    monkeypatch.setattr(numbering, "HOLES_MOST", 5)
    for start in range(1, 400, 20):
        lost = range(2, start, 6)
        batch = [reading(number, float(number)) for number in range(start, start + 20) if number % 3 != 2]
        late = [reading(number, float(number), heard=1000.0 + start) for number in lost if number > 2]
        store.commit(batch, [])
        store.commit(late, [])
        told = store.progress(["pump"])[0].boots[0]
        assert told.through == 1
        come = {round(time) for time, _ in stored(store)}
        absent = set(range(1, told.highest)) - come
        asked = [(gap.first, gap.last) for gap in store.gaps(open_only=True)]
        assert all(any(first <= number <= last for first, last in asked) for number in absent)
        assert len(asked) <= 5
        assert sum(gap.count for gap in store.gaps()) <= told.highest  # a number is in one line alone
    store.commit([reading(2, 2.0, heard=5000.0)], [])
    told = store.progress(["pump"])[0].boots[0]
    assert (told.through, told.missing[0][0]) == (2, 3)  # 3 came once, and is asked for again
    store.commit([reading(500, 9 * DAY)], [])
    assert store.progress(["pump"])[0].boots[0].through == 400


def test_the_list_of_gaps_is_bounded(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numbering, "GAPS_KEPT", 10)
    for number in range(1, 61, 2):
        store.commit([reading(number, float(number))], [])
    assert [gap.first for gap in store.gaps()] == list(range(58, 38, -2))
    assert store.progress(["pump"])[0].boots[0].through == 39


def test_invented_devices_do_not_drive_out_those_that_are_heard(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(numbering, "DEVICES_MOST", 5)
    store.commit([reading(1, 10.0)], [])
    flood = [reading(1, 20.0 + number, device=f"invented-{number}") for number in range(20)]
    committed = store.commit(flood, [])
    assert len(committed.new) == 20  # stored by their stamps all the same
    assert len(committed.untracked) == 16
    assert store.numbering_counts().devices == 5
    assert store.commit([reading(1, 11.0)], []).new == []
    # After a week of silence there is room for a device that speaks.
    late = reading(1, 8 * DAY, device="fresh")
    assert store.commit([late], []).untracked == []
    assert "fresh" in store.numbering_devices(0.0)


def test_boots_of_a_device_are_bounded(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numbering, "BOOTS_MOST", 3)
    for boot in range(20):
        store.commit([reading(number, 100.0 * boot + number, boot=str(boot)) for number in (1, 3)], [])
    with store.database.read() as db:
        assert db.execute("SELECT count(*) FROM numbering").get == 3
        kept = (
            "SELECT count(DISTINCT numbering) FROM taken UNION ALL SELECT count(DISTINCT numbering) FROM told"
        )
        assert [row[0] for row in db.execute(kept)] == [3, 3]
    assert [gap.state for gap in store.gaps()].count(GapState.OPEN) == 3
    assert len(store.gaps()) == 20


def test_boots_that_were_dropped_leave_nothing(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numbering, "BOOTS_MOST", 3)
    assert len(store.commit([reading(1, float(n), boot=str(n)) for n in range(10)], []).new) == 10
    with store.database.read() as db:
        for table in ("taken", "told", "peak"):
            orphans = f"SELECT count(*) FROM {table} WHERE numbering NOT IN (SELECT id FROM numbering)"  # noqa: S608
            assert db.execute(orphans).get == 0


def test_a_device_is_not_told_of_boots_of_weeks_ago(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0, boot="old")], [])
    store.commit([reading(1, 8 * DAY, boot="new")], [])
    assert [boot.boot for boot in store.progress(["pump"])[0].boots] == ["new"]


def test_a_boot_that_is_silent_for_a_month_is_forgotten(store: SqliteStore) -> None:
    store.commit([reading(1, 10.0, boot="old"), reading(3, 30.0, boot="old")], [])
    store.commit([reading(1, 31 * DAY, boot="new")], [])
    assert [boot.boot for boot in store.progress(["pump"])[0].boots] == ["new"]
    assert gaps(store) == [(2, 2, "lost")]


def test_old_numbers_are_forgotten_and_go_by_their_stamp(
    store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(taken, "BLOCKS_KEPT", 3)
    numbers = range(1, 20 * taken.BLOCK, taken.BLOCK // 2)
    for number in numbers:
        store.commit([reading(number, float(number))], [])
    with store.database.read() as db:
        assert db.execute("SELECT count(*) FROM taken").get == 3
    assert store.commit([reading(1, 1.0, heard=1e6)], []).new == []  # its stamp is known
    assert store.retold("mill-3", Point.PRESSURE) == []
    assert len(store.commit([reading(2, 2.0, heard=1e6)], []).new) == 1
    assert store.commit([reading(numbers[-1], numbers[-1], heard=1e6)], []).new == []
    assert store.commit([reading(numbers[-1], 77777.0)], []).new == []


@pytest.mark.parametrize("number", [0, 2**63 - 1])
def test_the_least_and_the_greatest_number(store: SqliteStore, number: int) -> None:
    assert len(store.commit([reading(5, 1.0), reading(number, 2.0)], []).new) >= 1
    assert store.commit([reading(number, 3.0)], []).new == []
    assert store.progress(["pump"])[0].boots[0].highest == max(number, 5)
    assert store.numbering_counts().missing >= 4


def test_a_store_of_version_3_is_taken_over_and_numbers_from_then_on(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    old = apsw.Connection(str(path))
    old.pragma("auto_vacuum", 2)
    old.pragma("journal_mode", "wal")
    for version in (schema.VERSION_1, schema.VERSION_2, schema.VERSION_3):
        old.execute(version)
    old.execute("INSERT INTO series VALUES (7, 'mill-3', 'pressure')")
    old.execute("INSERT INTO reading VALUES (7, ?, 4.5)", (round((T0 + 10.0) * 1e6),))
    old.execute("INSERT INTO overdue VALUES ('mill-3', 5, 1)")
    old.pragma("application_id", schema.APPLICATION_ID)
    old.pragma("user_version", 3)
    old.close()
    store = SqliteStore(path)
    assert Path(f"{path}.v3.backup").is_file()
    assert stored(store) == [(10.0, 4.5)]
    assert store.overdue()["mill-3"].times == 1
    assert store.gaps() == store.set_backs() == store.numbering_devices(0.0) == []
    assert len(store.commit([reading(8, 20.0), reading(10, 30.0)], []).new) == 2
    assert gaps(store) == [(9, 9, "open")]
    assert store.integrity() == []
    store.close()


def test_a_copy_carries_numbers_gaps_and_what_was_told_twice(store: SqliteStore, tmp_path: Path) -> None:
    store.commit([reading(1, 10.0), reading(3, 30.0), reading(4, 20.0)], [])
    copy, place = tmp_path / "copy.db", tmp_path / "restored.db"
    copies.back_up(store.path, copy)
    copies.restore(copy, place, tmp_path / "aside.db")
    again = SqliteStore(place)
    assert again.gaps() == store.gaps() != []
    assert again.set_backs() == store.set_backs() != []
    assert retold(again) == retold(store) != []
    assert again.progress(["pump"]) == store.progress(["pump"])
    assert again.commit([reading(3, 99.0)], []).new == []
    again.close()


class Clock:
    def now(self) -> float:
        return 4e9


def tidy(store: SqliteStore, keep: Keep) -> None:
    Upkeep(store.database, Clock(), keep, Ballast(store.path.with_suffix(".ballast"), 0)).tidy(hurry=True)


def test_sealed_hours_hide_nothing_and_nothing_of_them_comes_twice(store: SqliteStore) -> None:
    rows = [reading(number, 60.0 * number) for number in range(1, 400)]
    store.commit(rows, [])
    tidy(store, Keep())
    assert store.commit([row for row in rows if row.time < T0 + 3600], []).new == []
    committed = store.commit([reading(1, 120.0, 9.0, boot="b"), reading(2, 90.0, 9.0, boot="b")], [])
    assert (committed.new, committed.retold) == ([], 2)
    assert len(stored(store)) == 399
    assert store.rejected_count() == 0
    plain = [Reading("mill-3", Point.PRESSURE, T0 + 60.0, value) for value in (1.0, 9.0)]
    assert store.commit(plain, []).new == []
    assert [row.reason for row in store.rejected(9)] == [
        "a second value for one time stamp; the first, 1.0, stays"
    ]


def test_what_was_told_twice_is_dropped_with_the_readings_of_its_time(store: SqliteStore) -> None:
    store.commit([reading(1, 100.0), reading(2, 200.0), reading(3, 150.0)], [])
    store.commit([reading(4, 40 * DAY), reading(5, 40 * DAY - 60.0)], [])
    assert [number for number, _, _ in retold(store)] == [3, 5]
    tidy(store, Keep(readings=30 * DAY))
    assert [number for number, _, _ in retold(store)] == [5]
    assert [time for time, _ in stored(store)] == [40 * DAY]


def test_a_store_with_a_copy_takes_each_number_once_too(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.db")
    store = CopiedStore(tmp_path / "store.db", ledger)
    assert len(store.commit([reading(1, 10.0), reading(3, 30.0)], []).new) == 2
    assert store.commit([reading(1, 10.0, heard=40.0)], []).new == []
    assert gaps(store) == [(2, 2, "open")]
    store.close()
    ledger.close()
