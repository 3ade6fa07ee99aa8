"""The store on a real file: what goes in comes out, once, and survives being opened again."""

from __future__ import annotations

import dataclasses
import math
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.errors import StoreError
from monitor.readings import Point, Reading, Rejected
from monitor.service.ports import Alert, EventState, Store
from monitor.site import Visit, VisitAction
from monitor.store.sqlite import SqliteStore

T0 = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""

LOW = Finding(
    Fault.AIR_CHARGE_LOW, began=T0 - 86400, raised=T0, severity=Severity.MEDIUM, confidence=0.97, why="w",
    action="a", caution="c", evidence={"slope": 0.125, "unit": "psi", "unknown": None},
)  # fmt: skip
ALERT = Alert(
    key="mill-3/air_charge_low/1", site="mill-3", title="t", body="b", severity="medium", created=T0
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "store.db")
    yield opened
    assert opened.integrity() == []
    opened.close()


def reopened(store: SqliteStore) -> SqliteStore:
    store.close()
    return SqliteStore(store.path)


def pressures(*pairs: tuple[float, float], site: str = "mill-3") -> list[Reading]:
    return [Reading(site, Point.PRESSURE, T0 + time, value) for time, value in pairs]


def refused(number: int) -> Rejected:
    return Rejected(T0 + number, f"topic/{number}", "no number", b"\xff\x00")


def test_it_fills_the_port(store: SqliteStore) -> None:
    port: Store = store
    assert port.span("mill-3") is None
    assert port.latest("mill-3") == {}
    assert port.rejected_count() == 0


def test_readings_come_back_in_order_within_the_span(store: SqliteStore) -> None:
    assert len(store.commit(pressures((30, 3.0), (10, 1.0), (20, 2.0)), []).new) == 3
    times, values = store.readings("mill-3", Point.PRESSURE, T0 + 10, T0 + 30)
    assert times.tolist() == [T0 + 10, T0 + 20]
    assert values.tolist() == [1.0, 2.0]
    assert store.readings("mill-3", Point.HEATER, 0, math.inf)[0].size == 0
    assert store.readings("other", Point.PRESSURE, -math.inf, math.inf)[0].size == 0


def test_the_same_key_again_is_ignored_and_the_first_value_stays(store: SqliteStore) -> None:
    assert len(store.commit(pressures((1, 5.0), (1, 6.0)), []).new) == 1
    assert len(store.commit(pressures((1, 7.0), (2, 8.0)), [refused(1)]).new) == 1
    assert store.readings("mill-3", Point.PRESSURE, 0, math.inf)[1].tolist() == [5.0, 8.0]


def test_microseconds_tell_readings_apart(store: SqliteStore) -> None:
    times = [T0 + step * 1e-6 for step in range(10)]
    assert len(store.commit([Reading("mill-3", Point.PRESSURE, time, 1.0) for time in times], []).new) == 10
    assert store.readings("mill-3", Point.PRESSURE, 0, math.inf)[0].tolist() == times


def test_span_and_latest_cover_all_points_of_one_site(store: SqliteStore) -> None:
    heater = Reading("mill-3", Point.HEATER, T0 + 99, 1.0)
    store.commit([*pressures((5, 1.0), (50, 2.0)), heater, *pressures((500, 9.0), site="other")], [])
    assert store.span("mill-3") == (T0 + 5, T0 + 99)
    assert store.latest("mill-3") == {Point.PRESSURE: pressures((50, 2.0))[0], Point.HEATER: heater}


def test_all_of_it_is_there_after_opening_again(store: SqliteStore) -> None:
    store.commit(pressures((1, 5.0)), [refused(1)])
    store.add_visit("mill-3", Visit(T0, VisitAction.GAUGED, precharge=3e5))
    store.raise_event("mill-3", LOW, {"mail": ALERT})
    again = reopened(store)
    assert again.span("mill-3") == (T0 + 1, T0 + 1)
    assert again.rejected(5) == [refused(1)]
    assert again.visits("mill-3") == [Visit(T0, VisitAction.GAUGED, precharge=3e5)]
    assert [event.finding for event in again.events()] == [LOW]
    assert len(again.due_deliveries(T0, 5)) == 1
    again.close()
    store.__init__(store.path)  # type: ignore[misc]  the fixture checks and closes it


@pytest.mark.parametrize(
    "bad",
    [
        Reading("mill-3", Point.PRESSURE, T0, math.nan),
        Reading("mill-3", Point.PRESSURE, T0, math.inf),
        Reading("mill-3", Point.PRESSURE, math.nan, 1.0),
        Reading("mill-3", Point.PRESSURE, -1.0, 1.0),
        Reading("mill-3", Point.PRESSURE, 1e300, 1.0),
    ],
)
def test_a_reading_that_cannot_be_stored_is_listed_and_takes_no_other_with_it(
    store: SqliteStore, bad: Reading
) -> None:
    assert len(store.commit([bad, *pressures((1, 5.0))], []).new) == 1
    assert store.rejected_count() == 1
    assert "mill-3/pressure" in store.rejected(1)[0].topic


def test_refused_payloads_are_bounded_and_their_count_is_not(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db", keep_rejected=3)
    for number in range(4):
        store.commit([], [refused(number * 2), refused(number * 2 + 1)])
    assert store.rejected(100) == [refused(7), refused(6), refused(5)]
    assert store.rejected(1) == [refused(7)]
    assert store.rejected_count() == 8
    store.close()


def test_hostile_text_from_the_wire_is_kept_in_bounds(store: SqliteStore) -> None:
    nasty = "a\x00b\n'; DROP TABLE reading; --\ud800" + "x" * 70_000
    store.commit(pressures((1, 5.0)), [Rejected(T0, nasty, nasty, b"z" * 10_000)])
    (kept,) = store.rejected(1)
    assert kept.topic.startswith("a\x00b\n'; DROP TABLE reading; --\\ud800xxx")
    assert len(kept.payload) == 512
    assert len(kept.topic) < 1100
    assert store.span("mill-3") is not None


def test_visits_are_sorted_and_idempotent(store: SqliteStore) -> None:
    full = Visit(T0 + 5, VisitAction.REFILLED, precharge=4e5, supply=4.1e5, water_at_valve=False)
    first = Visit(T0, VisitAction.GAUGED, water_at_valve=True)
    for visit in (full, first, dataclasses.replace(full, precharge=1.0)):
        store.add_visit("mill-3", visit)
    assert store.visits("mill-3") == [first, full]
    assert store.visits("other") == []


def test_an_event_runs_through_its_states_and_leaves_a_trail(store: SqliteStore) -> None:
    event = store.raise_event("mill-3", LOW, {})
    assert event is not None
    assert (event.state, event.finding) == (EventState.ACTIVE_UNACKNOWLEDGED, LOW)
    assert store.raise_event("mill-3", LOW, {"mail": ALERT}) is None
    assert store.due_deliveries(T0, 10) == []
    acknowledged = store.acknowledge_event(event.number, "Ada", T0 + 60)
    assert acknowledged is not None
    assert acknowledged.state is EventState.ACTIVE_ACKNOWLEDGED
    assert store.acknowledge_event(event.number, "Bob", T0 + 61) == acknowledged
    over = dataclasses.replace(LOW, ended=T0 + 100)
    ended = store.end_event("mill-3", over, {})
    assert ended is not None
    assert (ended.number, ended.state, ended.finding) == (event.number, EventState.NORMAL, over)
    assert store.end_event("mill-3", over, {"mail": ALERT}) is None
    assert store.events() == [ended]
    assert store.events(open_only=True) == []
    trail = [(line.time, line.who, line.before, line.after) for line in store.event_changes(event.number)]
    assert trail == [
        (T0, "service", None, EventState.ACTIVE_UNACKNOWLEDGED),
        (T0 + 60, "Ada", EventState.ACTIVE_UNACKNOWLEDGED, EventState.ACTIVE_ACKNOWLEDGED),
        (T0 + 100, "service", EventState.ACTIVE_ACKNOWLEDGED, EventState.NORMAL),
    ]


def test_an_event_takes_new_facts_once_and_owes_the_news(store: SqliteStore) -> None:
    event = store.raise_event("mill-3", LOW, {})
    assert event is not None
    more = dataclasses.replace(
        LOW, why="more", evidence={**LOW.evidence, "relief_discharging_since": T0 + 50}
    )
    amended = store.amend_event("mill-3", more, {"mail": ALERT})
    assert amended == dataclasses.replace(event, finding=more)
    assert store.amend_event("mill-3", more, {"mail": ALERT}) is None
    assert store.amend_event("mill-3", LOW, {"mail": ALERT}) is None  # fewer facts are no news
    assert [event.finding for event in store.events()] == [more]
    assert [owed.alert.event for owed in store.due_deliveries(T0 + 60, 10)] == [event.number]
    store.end_event("mill-3", dataclasses.replace(more, ended=T0 + 100), {})
    again = dataclasses.replace(more, evidence={**more.evidence, "another": 1.0})
    assert store.amend_event("mill-3", again, {}) is None  # what is over is not rewritten


def test_an_event_that_ends_unseen_stays_open_until_it_is_acknowledged(store: SqliteStore) -> None:
    event = store.raise_event("mill-3", LOW, {})
    assert event is not None
    ended = store.end_event("mill-3", dataclasses.replace(LOW, ended=T0 + 1), {})
    assert ended is not None
    assert ended.state is EventState.RETURNED_UNACKNOWLEDGED
    assert store.events(open_only=True) == [ended]
    seen = store.acknowledge_event(event.number, "Ada", T0 + 2)
    assert seen is not None
    assert seen.state is EventState.NORMAL


def test_what_is_unknown_or_not_over_changes_nothing(store: SqliteStore) -> None:
    assert store.acknowledge_event(7, "Ada", T0) is None
    assert store.end_event("mill-3", dataclasses.replace(LOW, ended=T0 + 1), {"mail": ALERT}) is None
    store.raise_event("mill-3", LOW, {})
    with pytest.raises(StoreError, match="has not ended"):
        store.end_event("mill-3", LOW, {"mail": ALERT})
    assert store.due_deliveries(T0, 10) == []


def test_events_are_newest_first_by_site_and_limited(store: SqliteStore) -> None:
    for number in range(5):
        store.raise_event(f"site-{number % 2}", dataclasses.replace(LOW, raised=T0 + number), {})
    assert [event.number for event in store.events()] == [5, 4, 3, 2, 1]
    assert [event.number for event in store.events("site-1", limit=1)] == [4]
    assert [event.number for event in store.events("site-0")] == [5, 3, 1]


def test_numbers_of_numpy_in_the_evidence_are_kept(store: SqliteStore) -> None:
    odd = dataclasses.replace(LOW, confidence=np.float64(0.5), evidence={"x": np.float64(2.5)})
    store.raise_event("mill-3", odd, {})
    assert store.events()[0].finding == odd


def test_what_is_owed_is_struck_off_put_off_or_given_up(store: SqliteStore) -> None:
    store.raise_event("mill-3", LOW, {"mail": ALERT, "push": ALERT})
    mail, push = store.due_deliveries(T0, 10)
    assert (mail.channel, push.channel) == ("mail", "push")
    assert mail.alert == dataclasses.replace(ALERT, event=1)
    assert store.due_deliveries(T0, 10, channel="push") == [push]
    assert store.due_deliveries(T0, 1) == [mail]
    store.delivered(mail.id, T0)
    store.failed(push.id, "refused", T0 + 30)
    assert store.due_deliveries(T0 + 29.9, 10) == []
    (again,) = store.due_deliveries(T0 + 30, 10)
    assert (again.attempts, again.last_error, again.due) == (1, "refused", T0 + 30)
    store.failed(push.id, "still refused", None)
    assert store.due_deliveries(math.inf, 10) == []
    (dead,) = store.dead_letters()
    assert (dead.id, dead.attempts, dead.last_error) == (push.id, 2, "still refused")


def test_the_end_of_an_event_waits_for_its_beginning_on_each_channel(store: SqliteStore) -> None:
    end = dataclasses.replace(ALERT, key="end")
    store.raise_event("mill-3", LOW, {"mail": ALERT, "push": ALERT})
    store.end_event("mill-3", dataclasses.replace(LOW, ended=T0 + 9), {"mail": end, "push": end})
    first = store.due_deliveries(T0, 10)
    assert [(row.channel, row.alert.key) for row in first] == [("mail", ALERT.key), ("push", ALERT.key)]
    store.delivered(first[0].id, T0)
    store.failed(first[1].id, "refused", T0 + 600)
    assert [(row.channel, row.alert.key) for row in store.due_deliveries(T0, 10)] == [("mail", "end")]
    store.failed(first[1].id, "refused", None)
    assert [row.channel for row in store.due_deliveries(T0, 10)] == ["mail", "push"]


def test_writers_and_readers_of_many_threads_do_not_hinder_each_other(store: SqliteStore) -> None:
    errors: list[BaseException] = []

    def write(worker: int) -> None:
        try:
            for step in range(25):
                store.commit(pressures((worker * 1000 + step, 1.0), (step, 1.0)), [])
                store.latest("mill-3")
                store.readings("mill-3", Point.PRESSURE, 0, math.inf)
        except BaseException as error:  # noqa: BLE001  handed to the test
            errors.append(error)

    threads = [threading.Thread(target=write, args=(worker,)) for worker in range(1, 5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert store.readings("mill-3", Point.PRESSURE, 0, math.inf)[0].size == 4 * 25 + 25


def test_a_long_span_is_cut_down_and_its_peak_and_dip_stay(store: SqliteStore) -> None:
    rng = np.random.default_rng(7)
    values = 400 + rng.normal(0, 1, 20_000)
    values[12_345], values[54] = 900.0, 100.0
    store.commit(pressures(*zip(np.arange(20_000.0).tolist(), values.tolist(), strict=True)), [])
    times, kept = store.readings_decimated("mill-3", Point.PRESSURE, 0, math.inf, 500)
    assert 400 < len(times) <= 500
    assert (np.diff(times) > 0).all()
    assert (kept.max(), times[kept.argmax()]) == (900.0, T0 + 12_345)
    assert (kept.min(), times[kept.argmin()]) == (100.0, T0 + 54)
    few_times, few = store.readings_decimated("mill-3", Point.PRESSURE, T0, T0 + 500, 500)
    assert few.tolist() == values[:500].tolist()
    assert few_times.size == 500
    assert store.readings_decimated("other", Point.PRESSURE, 0, math.inf, 500)[0].size == 0


def test_a_second_value_for_one_time_is_refused_and_the_same_value_is_a_repeat(store: SqliteStore) -> None:
    batch = pressures((10, 71.0), (10, 71.0), (10, 72.0), (20, 5.0))
    assert list(store.commit(batch, []).new) == [batch[0], batch[3]]
    store.commit(pressures((10, 71.0), (20, 6.0)), [refused(1)])
    reason = "a second value for one time stamp; the first, {}, stays"
    found = [(row.received - T0, row.topic, row.reason) for row in store.rejected(10)]
    assert found == [
        (20.0, "mill-3/pressure", reason.format(5.0)),
        (1.0, "topic/1", "no number"),
        (10.0, "mill-3/pressure", reason.format(71.0)),
    ]
    assert b"value=72.0" in store.rejected(10)[2].payload
    assert store.readings("mill-3", Point.PRESSURE, 0, math.inf)[1].tolist() == [71.0, 5.0]
