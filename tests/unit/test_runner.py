"""The loop's promises: stored before acknowledged, nothing lost when the store refuses, once after a restart.

The store is the real one; the broker is a list, and the analyser a rule that a test can steer.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.errors import StoreBroken, StoreError
from monitor.estimation.samples import Samples
from monitor.readings import Point, Reading, Rejected
from monitor.service import pipeline, runner
from monitor.service.desk import Desk
from monitor.service.outcomes import Outcome, outcomes, reconcile
from monitor.service.ports import NOTHING, Alert, Committed, Event, EventState, Message, SourceHealth
from monitor.service.rebuild import Rebuild
from monitor.service.runner import Runner
from monitor.site import Site, Visit, VisitAction
from monitor.store.sqlite import SqliteStore

SITE = Site("a")
DAY = 86400.0


class Threshold:
    """Raises a finding while pressure is over 1000; pressure 666 is a fault of the program itself."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.given = {"site": site}
        self.open: Finding | None = None
        self.all: list[Finding] = []
        self.visits: list[Visit] = []
        self.told = 0.0

    def feed(self, samples: Samples) -> list[Finding]:
        changed = []
        for now, pressure in zip(samples.time.tolist(), samples.pressure.tolist(), strict=True):
            if pressure == 666:
                raise ZeroDivisionError("six")
            if pressure > 1000 and self.open is None:
                self.open = finding(now)
                changed.append(self.open)
            elif pressure <= 1000 and self.open is not None:
                changed.append(finding(self.open.raised, ended=now))
                self.open = None
        self.all += changed
        return changed

    def visit(self, visit: Visit) -> list[Finding]:
        self.visits.append(visit)
        return []

    def tick(self, now: float) -> list[Finding]:
        self.told = now
        return []

    def report(self) -> Report:
        why = f"{len(self.visits)} visits, told {self.told:g}"
        found = tuple(self.all)
        return Report("a", None, None, 0, Verdict.LEARNING, why, (), None, None, found, (), None, None, 0)


def finding(raised: float, ended: float | None = None, fault: Fault = Fault.AIR_CHARGE_LOW) -> Finding:
    return Finding(fault, raised, raised, Severity.HIGH, 0.9, "why", "act", "care", {}, ended)


class Broker:
    """Hands over what is put in, again and again until it is acknowledged."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []
        self.acknowledged: list[Message] = []
        self.started = self.stopped = False
        self.connected = True
        self._taken = 0
        self._lock = threading.Lock()

    def put(self, *values: tuple[float, float], kept: bool = False) -> None:
        with self._lock:
            self.waiting += [
                Message("a/pressure", f"{when} {value}".encode(), arrived=0.0, retained=kept)
                for when, value in values
            ]

    def start(self) -> None:
        self.started = True

    def take(self, limit: int, timeout: float) -> list[Message]:
        with self._lock:
            found = self.waiting[self._taken : self._taken + limit]
            self._taken += len(found)
        if not found:
            time.sleep(0.002)
        return found

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += messages

    def health(self) -> SourceHealth:
        return SourceHealth(alive=True, connected=self.connected, last_message=None, detail="")

    def stop(self) -> None:
        self.stopped = True


def decode(message: Message) -> tuple[list[Reading], list[Rejected]]:
    when, value = message.payload.split()
    if value == b"bad":
        return [], [Rejected(0.0, message.topic, "bad", message.payload)]
    return [Reading("a", Point.PRESSURE, float(when), float(value))], []


def compose(site: Site, one: Finding) -> Mapping[str, Alert]:
    what = "raised" if one.ended is None else "ended"
    return {"phone": Alert(f"{site.id}/{one.raised}/{what}", site.id, what, "", "high", 0.0)}


class Manual:
    """Stands still until a test lets time pass."""

    def __init__(self, now: float) -> None:
        self._now = now

    def now(self) -> float:
        return self._now

    def pass_by(self, seconds: float) -> None:
        self._now += seconds


def until(condition: Callable[[], object], what: str = "condition") -> None:
    deadline = time.monotonic() + 5
    while not condition():
        assert time.monotonic() < deadline, f"{what} did not come true"
        time.sleep(0.002)


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(pipeline, "Analyser", Threshold)
    monkeypatch.setattr(runner, "BACK_OFF", (0.01,))
    return tmp_path / "store.db"


@contextmanager
def running(
    store: SqliteStore, broker: Broker, clock: Manual | None = None, *, ticking: bool = True
) -> Iterator[Runner]:
    watch = clock or Manual(0.0)
    one = Runner([SITE], broker, store, decode, compose, lambda: None, watch, ticking=ticking)
    one.start()
    try:
        yield one
    finally:
        assert one.stop(5)
    assert broker.stopped or not broker.started


def titles(store: SqliteStore) -> list[str]:
    return [one.alert.title for one in store.due_deliveries(1e12, 100)]


def rebuilt(store: SqliteStore) -> Rebuild:
    work = Rebuild(SITE, store)
    while not work.step():
        pass
    return work


def told(one: Runner) -> float:
    return float(one.desks["a"].report().verdict_why.split()[-1])


def test_readings_are_stored_then_acknowledged_and_findings_become_events(path: Path) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.put((0, 400), (10, 2000), (20, 400), (60, 400), (70, 2000), (100, 2000))
    with running(store, broker) as one:
        until(lambda: len(store.events("a")) == 2 and one.desks["a"].report().findings[-1].raised == 70)
    assert [message.payload for message in broker.acknowledged] == [
        message.payload for message in broker.waiting
    ]
    newest, oldest = store.events("a")
    assert (oldest.finding.raised, oldest.finding.ended) == (10, 20)
    assert (newest.finding.raised, newest.finding.ended) == (70, None)
    store.close()


def test_a_refused_payload_is_kept_and_acknowledged(path: Path) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.waiting = [Message("a/pressure", b"0 bad", 0.0)]
    with running(store, broker):
        until(lambda: broker.acknowledged)
    assert [one.reason for one in store.rejected(9)] == ["bad"]
    store.close()


class Refusing(SqliteStore):
    """The real store on a disk that is full for a while."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.full, self.unreadable = threading.Event(), threading.Event()
        self.error: type[StoreError] = StoreError
        self.tries = 0

    def commit(
        self,
        readings: Sequence[Reading],
        rejected: Sequence[Rejected],
        analysed: Mapping[str, float] = NOTHING,
    ) -> Committed:
        self._check()
        return super().commit(readings, rejected, analysed)

    def raise_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        self._check()
        return super().raise_event(site, finding, alerts)

    def visits(self, site: str) -> list[Visit]:
        if self.unreadable.is_set():
            raise StoreError("cannot read: the file is away")
        return super().visits(site)

    def _check(self) -> None:
        if self.full.is_set():
            self.tries += 1
            raise self.error("cannot write: the disk is full")


def test_while_the_store_refuses_nothing_is_acknowledged_and_nothing_is_lost(path: Path) -> None:
    store, broker = Refusing(path), Broker()
    store.full.set()
    broker.put((0, 400), (10, 2000), (60, 2000))
    with running(store, broker) as one:
        until(lambda: store.tries > 3)
        assert broker.acknowledged == []
        assert one.problems() == ["cannot write: the disk is full"]
        store.full.clear()
        until(lambda: store.events("a"))
        assert one.problems() == []
    assert len(broker.acknowledged) == 3
    assert one.stored == 3
    store.close()


def test_a_store_that_cannot_be_read_for_a_while_is_a_problem_for_that_while(path: Path) -> None:
    store, clock = Refusing(path), Manual(0.0)
    with running(store, Broker(), clock) as one:
        until(lambda: one.caught_up)
        store.unreadable.set()
        clock.pass_by(runner.HOUSEKEEPING)
        until(lambda: one.problems() == ["cannot read: the file is away"], "the problem")
        store.unreadable.clear()
        clock.pass_by(runner.HOUSEKEEPING)
        until(lambda: one.problems() == [], "the end of the problem")
    store.close()


def test_a_stop_while_the_store_refuses_leaves_the_messages_with_the_broker(path: Path) -> None:
    store, broker = Refusing(path), Broker()
    store.full.set()
    broker.put((0, 400))
    with running(store, broker):
        until(lambda: store.tries > 1)
    assert broker.acknowledged == []
    store.close()


def test_on_a_disk_that_cannot_be_trusted_the_worker_ends_and_confirms_nothing(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    store, broker = Refusing(path), Broker()
    store.error = StoreBroken
    store.full.set()
    broker.put((0, 400))
    with running(store, broker) as one:
        until(lambda: not one.alive, "the end of the worker")
        assert any("the worker has ended" in words for words in one.problems())
    assert (broker.acknowledged, store.tries) == ([], 1)
    assert "the service ends" in caplog.text
    store.close()


def test_what_was_stored_but_not_analysed_before_a_crash_is_raised_once_at_the_next_starts(
    path: Path,
) -> None:
    store = SqliteStore(path)
    store.commit([Reading("a", Point.PRESSURE, float(when), 2000) for when in (0, 10, 60)], [])
    for _ in range(3):
        with running(store, Broker()) as one:
            until(lambda one=one: not one.problems())  # type: ignore[misc]
    assert [event.finding.raised for event in store.events("a")] == [0]
    assert titles(store) == ["raised"]
    store.close()


def test_a_fault_of_the_program_at_one_site_stops_neither_storing_nor_the_service(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.put((0, 666), (60, 400), (120, 400))
    with running(store, broker) as one:
        until(lambda: len(broker.acknowledged) == 3)
        until(one.problems)
        assert "site a stopped by a fault of this program (ZeroDivisionError('six'))" in one.problems()[0]
        # Whatever it was before, it is not known any more.
        assert one.desks["a"].report().verdict is Verdict.BLIND
    assert store.span("a") == (0, 120)
    assert "analysis of site a failed" in caplog.text
    store.close()


def test_a_visit_logged_by_another_program_is_found(path: Path) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.put((0, 400), (60, 400))
    with running(store, broker, clock := Manual(0.0)) as one:
        other = SqliteStore(path)
        other.add_visit("a", Visit(30.0, VisitAction.REFILLED, precharge=4e5))
        other.close()
        clock.pass_by(runner.HOUSEKEEPING)
        until(lambda: one.desks["a"].report().verdict_why.startswith("1 visits"))
    store.close()


@pytest.mark.parametrize("connected", [True, False], ids=["the broker is there", "the broker is away"])
def test_a_silent_site_is_told_the_time_once_nothing_older_is_to_come(path: Path, connected: bool) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.connected = connected
    broker.put((1000, 400))
    clock = Manual(10 * DAY)
    with running(store, broker, clock) as one:
        until(lambda: broker.acknowledged and one._looked == clock.now())
        clock.pass_by((runner.SETTLED if connected else DAY) - 1.0)
        time.sleep(0.05)
        assert told(one) == 0
        clock.pass_by(10.0)
        until(lambda: told(one) > 0)
        assert told(one) == clock.now() - runner.GRACE
    store.close()


def test_while_the_broker_hands_over_its_queue_no_site_is_told_the_time(path: Path) -> None:
    store, broker = SqliteStore(path), Broker()
    clock = Manual(10 * DAY)
    with running(store, broker, clock) as one:
        for count in range(1, 5):
            broker.put((1000 + count, 400), kept=True)
            until(lambda count=count: len(broker.acknowledged) == count)  # type: ignore[misc]
            clock.pass_by(runner.SETTLED - 1.0)
        time.sleep(0.05)
        assert told(one) == 0
    store.close()


def test_in_accelerated_time_no_site_is_told_the_time(path: Path) -> None:
    store, broker = SqliteStore(path), Broker()
    broker.put((1000, 400))
    with running(store, broker, clock := Manual(10 * DAY), ticking=False) as one:
        until(lambda: broker.acknowledged)
        clock.pass_by(2 * DAY)
        time.sleep(0.05)
        assert one.desks["a"].report().verdict_why == "0 visits, told 0"
    store.close()


# ---- who is told


def test_a_fault_that_gives_way_to_a_graver_one_ends_without_a_word() -> None:
    low, lost = finding(0, ended=90), finding(90, fault=Fault.AIR_CUSHION_LOST)
    assert outcomes([low, lost]) == [Outcome(low, False), Outcome(lost, True)]
    assert outcomes([finding(0, ended=80), lost]) == [
        Outcome(finding(0, ended=80), True),
        Outcome(lost, True),
    ]
    assert [one.loud for one in reconcile([low, lost], [event(finding(0))], 100)] == [False, False, True]


def event(one: Finding) -> Event:
    return Event(1, "a", one, EventState.ACTIVE_UNACKNOWLEDGED)


def test_history_that_the_store_does_not_know_is_written_down_without_noise() -> None:
    old, new = finding(0, ended=50), finding(5 * DAY, ended=5 * DAY + 50)
    assert [outcome.loud for outcome in reconcile([old, new], [], 5 * DAY + 60)] == [False, False, True, True]


def test_an_event_that_a_replay_sees_end_ends_aloud() -> None:
    found = reconcile([finding(0), finding(0, ended=50)], [event(finding(0))], 9 * DAY)
    assert [(outcome.finding.ended, outcome.loud) for outcome in found] == [(None, False), (50, True)]


def test_a_fault_that_only_got_another_date_is_not_told_twice() -> None:
    found = reconcile([finding(7)], [event(finding(0))], 60)
    assert found == [Outcome(finding(7), loud=False, replaces=finding(0, ended=60))]


def test_an_event_that_a_replay_no_longer_finds_ends_aloud() -> None:
    assert reconcile([], [event(finding(0))], 60) == [Outcome(finding(0, ended=60), True)]


def test_an_event_that_was_raised_after_all_that_a_replay_saw_is_left_standing() -> None:
    assert reconcile([], [event(finding(61, fault=Fault.BLIND))], 60) == []


# No whole microseconds, as the arrival of a bare number is: the store rounds it.
@pytest.mark.parametrize("last", [1000.0, 1767571200.0000007, 1767571200.1234565])
def test_a_silence_stays_an_event_over_restarts_until_readings_return(tmp_path: Path, last: float) -> None:
    store, broker, clock = SqliteStore(tmp_path / "store.db"), Broker(), Manual(last + 1.0)
    broker.put((last - 60, 400), (last, 400))
    with running(store, broker, clock) as one:
        until(lambda: len(broker.acknowledged) == 2)
        # The broker must have been seen before the day passes, else it counts as just connected.
        until(lambda: one._looked == clock.now())
        clock.pass_by(DAY + runner.GRACE)
        until(lambda: store.events("a"), "the event")
    (blind,) = store.events("a")
    assert (blind.finding.fault, blind.finding.raised) == (Fault.BLIND, last + DAY)
    for _ in range(2):
        with running(store, again := Broker(), clock) as one:
            until(lambda one=one: not one.problems())  # type: ignore[misc]
            # Known at once, not only when the silence is looked at again.
            assert [found.ended for found in one.desks["a"].report().findings] == [None]
            clock.pass_by(DAY)
            until(lambda one=one: one._looked == clock.now())  # type: ignore[misc]
        assert [event.finding for event in store.events("a")] == [blind.finding]
        assert titles(store) == ["raised"]
    with running(store, again, clock):
        again.put((clock.now(), 400), (clock.now() + 60, 400))
        until(lambda: store.events("a")[-1].finding.ended, "the end")
    # No word of normal: by now the same readings show that nothing has been learnt for days.
    unlearnt, over = (one.finding for one in store.events("a"))
    assert (unlearnt.raised, unlearnt.ended) == (over.ended, None) == (clock.now(), None)
    assert over.raised == pytest.approx(blind.finding.raised, abs=1e-6, rel=0)  # the store's rounding
    assert titles(store) == ["raised", "raised"]
    store.close()


def test_a_site_whose_pressure_alone_falls_silent_is_blind(tmp_path: Path) -> None:
    """Its heater's messages must not pass for sight, live or after a restart."""
    store, desk, found = SqliteStore(tmp_path / "store.db"), Desk(SITE), []
    desk.rebuild(store)
    desk.advance()
    heater = [Reading("a", Point.HEATER, when, 0.0) for when in np.arange(0.0, 2 * DAY, 60.0).tolist()]
    readings = [Reading("a", Point.PRESSURE, 0.0, 4e5), *heater]
    store.commit(readings, [])
    for reading in readings:
        found += desk.take([reading])
        found += desk.look([], reading.time + 1.0)
    assert [(one.fault, one.raised, one.ended) for one in found] == [(Fault.BLIND, DAY, None)]
    store.raise_event("a", found[0], {})
    again = rebuilt(store)
    assert again.outcomes == [Outcome(found[0], True)]
    assert again.pipeline.tick(2 * DAY) == []
    store.close()


def test_a_fault_with_another_date_stays_the_event_that_people_know() -> None:
    seen = reconcile([finding(7)], [event(finding(0))], 60)
    assert seen == [Outcome(finding(7), loud=False, replaces=finding(0, ended=60))]
    # Only now somebody has to be there today: that is news.
    urgent = replace(finding(7), evidence={"relief_discharging_since": 8.0})
    assert [one.loud for one in reconcile([urgent], [event(finding(0))], 60)] == [True]


def test_a_redated_event_keeps_its_number_its_acknowledgement_and_what_is_owed(path: Path) -> None:
    store = SqliteStore(path)
    first = store.raise_event("a", finding(100), compose(SITE, finding(100)))
    assert first is not None
    store.acknowledge_event(first.number, "Ada", 120.0)
    moved = store.redate_event("a", finding(100, ended=200), finding(50), {})
    assert moved is not None
    assert (moved.number, moved.state) == (first.number, EventState.ACTIVE_ACKNOWLEDGED)
    assert [one.finding for one in store.events("a")] == [finding(50)]
    assert titles(store) == ["raised"]
    assert store.redate_event("a", finding(100, ended=200), finding(50), {}) is None
    ended = store.end_event("a", finding(50, ended=300), compose(SITE, finding(50, ended=300)))
    assert ended is not None
    assert ended.number == first.number
    store.close()
