"""What keeps events quiet, on a real store: alerts wait beside the outbox and are owed or dropped with the event."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.errors import InputError
from monitor.readings import Point
from monitor.service.ports import Act, Alert, EventState, OutOfService, Shelf
from monitor.store.schema import APPLICATION_ID, MIGRATIONS
from monitor.store.sqlite import SqliteStore

T0 = 1.7e9
HOUR, DAY = 3600.0, 86400.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    one = SqliteStore(tmp_path / "store.db")
    yield one
    assert one.integrity() == []
    one.close()


def finding(fault: Fault, raised: float = T0, severity: Severity = Severity.MEDIUM) -> Finding:
    return Finding(fault, raised, raised, severity, 0.99, "", "", "", {})


def alert(one: Finding, news: str = "") -> dict[str, Alert]:
    key = f"{one.fault}{news}@{one.raised - T0:g}"
    return {"mail": Alert(key, "mill", key, "body", one.severity.value, one.raised)}


def raised(store: SqliteStore, one: Finding, site: str = "mill") -> int:
    event = store.raise_event(site, one, alert(one))
    assert event is not None
    return event.number


def ended(store: SqliteStore, one: Finding, at: float) -> None:
    assert store.end_event("mill", replace(one, ended=at), alert(one, "/over")) is not None


def owed(store: SqliteStore) -> list[str]:
    """Return all that is owed, also what waits for an earlier message of its event."""
    with store.database.read() as db:
        return [key for (key,) in db.execute("SELECT key FROM delivery WHERE state = 'owed' ORDER BY id")]


def out(point: Point | None = None, urgent_until: float | None = None) -> OutOfService:
    return OutOfService(0, "mill", point, T0, "Ada", "work", urgent_until)


def test_what_is_raised_out_of_service_and_over_by_then_is_never_told(store: SqliteStore) -> None:
    store.take_out(out())
    brief, lasting = finding(Fault.BLIND), finding(Fault.AIR_CHARGE_LOW)
    raised(store, brief)
    raised(store, lasting)
    ended(store, brief, T0 + 60)
    assert owed(store) == []
    store.put_back("mill", None, "Ada", T0 + DAY, "done")
    assert owed(store) == ["air_charge_low@0"]
    ended(store, lasting, T0 + 2 * DAY)
    assert owed(store) == ["air_charge_low@0", "air_charge_low/over@0"]


def test_what_was_told_is_told_to_be_over_though_it_is_shelved_by_then(store: SqliteStore) -> None:
    low = finding(Fault.AIR_CHARGE_LOW)
    store.shelve_event(raised(store, low), Shelf(T0, T0 + DAY, "Ada", "known"))
    ended(store, low, T0 + HOUR)
    assert owed(store) == ["air_charge_low@0", "air_charge_low/over@0"]
    assert store.lapse(T0 + 2 * DAY) == 0


def test_news_of_a_shelved_event_waits_for_the_end_of_its_shelf(store: SqliteStore) -> None:
    low = finding(Fault.AIR_CHARGE_LOW)
    number = raised(store, low)
    store.shelve_event(number, Shelf(T0, T0 + DAY, "Ada", "known"))
    near = replace(low, evidence={"near_relief_since": T0})
    store.amend_event("mill", near, alert(low, "/near"))
    assert owed(store) == ["air_charge_low@0"]
    assert store.lapse(T0 + DAY - 1) == 0
    assert store.lapse(T0 + DAY) == 1
    assert owed(store) == ["air_charge_low@0", "air_charge_low/near@0"]


def test_a_shelved_event_that_becomes_urgent_is_told_at_once(store: SqliteStore) -> None:
    lost = finding(Fault.AIR_CUSHION_LOST, severity=Severity.HIGH)
    number = raised(store, lost)
    store.shelve_event(number, Shelf(T0, T0 + DAY, "Ada", "known", urgent=True))
    more = replace(lost, evidence={"relief_discharging_since": T0})
    store.amend_event("mill", more, alert(lost, "/relief"))
    assert owed(store) == ["air_cushion_lost@0", "air_cushion_lost/relief@0"]
    event = store.event(number)
    assert event is not None
    assert event.shelf is None


def test_work_on_site_hides_a_discharge_only_when_confirmed_and_for_a_shift(store: SqliteStore) -> None:
    store.take_out(out(urgent_until=T0 + 8 * HOUR))
    discharge = finding(Fault.RELIEF_DISCHARGING, severity=Severity.HIGH)
    number = raised(store, discharge)
    raised(store, finding(Fault.BLIND))
    assert owed(store) == []
    store.lapse(T0 + 8 * HOUR)
    assert owed(store) == ["relief_discharging@0"]
    assert store.outs()[0].urgent_until is None
    assert store.event_changes(number)[-1].why == "urgent events are told again"


def test_an_explained_event_is_listed_and_told_only_when_it_outlives_its_cause(store: SqliteStore) -> None:
    sensor, low, high = (
        finding(Fault.PRESSURE_SENSOR_FAULT),
        finding(Fault.AIR_CHARGE_LOW, T0 + 1),
        finding(Fault.SUPPLY_PRESSURE_HIGH, T0 + 2),
    )
    cause = raised(store, sensor)
    first, second = raised(store, low), raised(store, high)
    assert owed(store) == ["pressure_sensor_fault@0"]
    listed = {event.number: event.cause for event in store.events(open_only=True)}
    assert listed == {cause: None, first: cause, second: cause}
    ended(store, high, T0 + 5)
    ended(store, sensor, T0 + 10)
    assert owed(store) == ["pressure_sensor_fault@0", "pressure_sensor_fault/over@0", "air_charge_low@1"]
    assert [line.act for line in store.event_changes(first)] == [Act.RAISED, Act.SUPPRESSED, Act.RELEASED]
    assert [line.act for line in store.event_changes(second)] == [Act.RAISED, Act.SUPPRESSED, Act.RETURNED]


def test_an_event_that_was_told_is_marked_when_its_cause_comes_later(store: SqliteStore) -> None:
    low = raised(store, finding(Fault.AIR_CHARGE_LOW))
    discharge = raised(store, finding(Fault.RELIEF_DISCHARGING, severity=Severity.HIGH))
    cause = raised(store, finding(Fault.AIR_CUSHION_LOST, T0 + 1, Severity.HIGH))
    causes = {event.number: event.cause for event in store.events()}
    assert causes == {cause: None, low: cause, discharge: cause}
    # What is urgent is told whatever explains it.
    again = finding(Fault.RELIEF_DISCHARGING, T0 + 2, Severity.HIGH)
    raised(store, again)
    assert owed(store)[-1] == "relief_discharging@2"


def test_another_cause_takes_the_place_of_one_that_is_over(store: SqliteStore) -> None:
    heater, check = finding(Fault.HEATER_STATE_FAULT), finding(Fault.AIR_CUSHION_LOST, severity=Severity.HIGH)
    sensor = finding(Fault.PRESSURE_SENSOR_FAULT)
    raised(store, sensor)
    second, low = raised(store, heater), raised(store, check)
    ended(store, sensor, T0 + 1)
    event = store.event(low)
    assert event is not None
    assert event.cause == second
    assert owed(store) == ["pressure_sensor_fault@0", "pressure_sensor_fault/over@0", "heater_state_fault@0"]


def test_the_third_raise_is_a_notice_and_the_next_wait_until_they_stand_for_a_day(store: SqliteStore) -> None:
    for number in range(5):
        one = finding(Fault.BLIND, T0 + number * DAY)
        raised(store, one)
        if number < 4:
            ended(store, one, one.raised + HOUR)
    assert owed(store) == [
        "blind@0", "blind/over@0", "blind@86400", "blind/over@86400", "blind@172800", "blind/over@172800"
    ]  # fmt: skip
    with store.database.read() as db:
        titles = [title for (title,) in db.execute("SELECT title FROM delivery WHERE body LIKE '%3rd time%'")]
    assert titles == ["blind@172800, comes and goes"]
    assert [event.raises for event in store.events()] == [5, 4, 3, 2, 1]
    assert [line.why for line in store.event_changes(5)] == ["raised, the 5th time in a week"]
    assert [event.held for event in store.events()] == [True, True, False, False, False]
    last = T0 + 4 * DAY
    assert store.lapse(last + DAY - 1) == 0
    assert store.lapse(last + DAY) == 1
    assert owed(store)[-1] == f"blind@{4 * DAY:g}"


def test_raises_are_counted_within_a_week_at_one_site(store: SqliteStore) -> None:
    for number in range(4):
        raised(store, finding(Fault.BLIND, T0 + number * 2.4 * DAY))
    raised(store, finding(Fault.BLIND, T0 + 8 * DAY), site="shed")
    assert [event.raises for event in store.events()] == [1, 3, 3, 2, 1]


def test_a_site_and_a_point_of_it_are_out_apart(store: SqliteStore) -> None:
    store.take_out(out())
    store.take_out(replace(out(Point.HEATER), why="relay"))
    with pytest.raises(
        InputError, match="heater of site 'mill' is out of service already, since Ada took it out: relay"
    ):
        store.take_out(out(Point.HEATER))
    raised(store, finding(Fault.HEATER_STATE_FAULT))
    store.put_back("mill", None, "Bob", T0 + 1, "tank done")
    assert owed(store) == []
    with pytest.raises(
        InputError, match="site 'mill' is not out of service; out of service are heater of site 'mill'"
    ):
        store.put_back("mill", None, "Bob", T0 + 2, "tank done")
    store.put_back("mill", Point.HEATER, "Bob", T0 + 3, "relay done")
    assert owed(store) == ["heater_state_fault@0"]
    assert store.outs() == []
    again = store.take_out(out())
    assert (again.number, store.outs("mill"), store.outs("shed")) == (3, [again], [])


def test_the_audit_trail_holds_who_did_what_when_and_why(store: SqliteStore) -> None:
    low = finding(Fault.AIR_CHARGE_LOW)
    number = raised(store, low)
    store.acknowledge_event(number, "Ada", T0 + 1)
    store.shelve_event(number, Shelf(T0 + 2, T0 + HOUR, "Ada", "known"))
    store.unshelve_event(number, "Bob", T0 + 3, "tell me")
    store.take_out(replace(out(Point.HEATER), since=T0 + 4))
    store.take_out(replace(out(), since=T0 + 5))
    store.put_back("mill", None, "Bob", T0 + 6, "done")
    ended(store, low, T0 + 7)
    lines = [(line.time - T0, line.event, line.act, line.who, line.why) for line in store.audit(0.0)]
    assert lines == [
        (0, 1, "raised", "service", "raised"),
        (1, 1, "acknowledged", "Ada", "acknowledged"),
        (2, 1, "shelved", "Ada", "known"),
        (3, 1, "unshelved", "Bob", "tell me"),
        (4, 1, "taken_out_of_service", "Ada", "work"),
        (4, None, "taken_out_of_service", "Ada", "point heater: work"),
        (5, 1, "taken_out_of_service", "Ada", "work"),
        (5, None, "taken_out_of_service", "Ada", "work"),
        (6, 1, "put_back_in_service", "Bob", "done"),
        (6, None, "put_back_in_service", "Bob", "done"),
        (7, 1, "returned", "service", "returned to normal"),
    ]
    assert store.audit(T0 + 6.5)[0].act == "returned"
    assert store.audit(0.0, "shed") == []


def test_events_of_the_version_before_come_along(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    old = apsw.Connection(str(path))
    for version in MIGRATIONS[:4]:
        old.execute(version)
    old.pragma("application_id", APPLICATION_ID)
    old.pragma("user_version", 4)
    made = SqliteStore(tmp_path / "new.db")
    raised(made, finding(Fault.BLIND))
    with made.database.read() as db:
        (body,) = db.execute("SELECT finding FROM event").fetchone()  # type: ignore[misc]
    made.close()
    old.execute(
        "INSERT INTO event (site, fault, raised_us, state, finding) "
        "VALUES ('mill', 'blind', ?, 'active_acknowledged', ?)",
        (round(T0 * 1e6), body),
    )
    old.execute(
        "INSERT INTO event_change (event, time, before, after, who, why) "
        "VALUES (1, 5.0, NULL, 'active_acknowledged', 'Ada', 'x')"
    )
    old.execute(
        "INSERT INTO delivery (event, channel, key, site, title, body, severity, created, state) "
        "VALUES (1, 'mail', 'k', 'mill', 't', 'b', 'low', 1.0, 'owed')"
    )
    old.close()
    store = SqliteStore(path)
    (event,) = store.events()
    assert (event.state, event.shelf, event.cause, event.raises) == (
        EventState.ACTIVE_ACKNOWLEDGED,
        None,
        None,
        1,
    )
    assert store.event_changes(1)[0].act is None
    assert [line.act for line in store.audit(0.0)] == [""]
    assert owed(store) == ["k"]
    assert store.shelve_event(1, Shelf(T0, T0 + HOUR, "Ada", "known")) is not None
    store.close()


_SHELVES = """
import sys
from pathlib import Path
from monitor.service.ports import Shelf
from monitor.store.sqlite import SqliteStore
store = SqliteStore(Path(sys.argv[1]))
number = 0
while True:
    number += 1
    store.shelve_event(1, Shelf(1.7e9, 1.7e9 + number, "Ada", str(number)))
    print(number, flush=True)
"""


def test_a_process_that_is_killed_leaves_each_shelf_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    store = SqliteStore(path)
    raised(store, finding(Fault.AIR_CHARGE_LOW))
    store.close()
    with subprocess.Popen(
        [sys.executable, "-c", _SHELVES, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        said = 0
        while said < 20:
            said = int(child.stdout.readline())
        os.kill(child.pid, signal.SIGKILL)
        said = max([said, *(int(line) for line in child.stdout.read().splitlines())])
    store = SqliteStore(path)
    event = store.event(1)
    assert event is not None
    assert event.shelf is not None
    kept = int(event.shelf.why)
    assert kept in (said, said + 1)
    reasons = [line.why for line in store.event_changes(1) if line.act is Act.SHELVED]
    assert reasons == [str(number) for number in range(1, kept + 1)]
    assert store.integrity() == []
    store.close()
