"""What comes late is taken in and the analysis corrected, live and over restarts; a restart goes on from a state.

The oracle is one analysis of all readings in the order of their time. The plant is one of the evaluation.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest

from monitor.diagnosis.faults import Fault, Finding
from monitor.readings import Reading, Rejected
from monitor.service import corrections
from monitor.service.pipeline import SitePipeline
from monitor.service.ports import Alert, Message, SourceHealth
from monitor.service.rebuild import Rebuild
from monitor.service.runner import Runner
from monitor.site import Site, Visit, VisitAction
from monitor.store.sqlite import SqliteStore
from tests.property.test_analyser_laws import SITE
from tests.property.test_saved_laws import readings_of

TORN = readings_of("torn_day5", 4.0, 7.0)
HOUR = 3600.0


class Broker:
    """Hands over batches of readings as messages, each once."""

    def __init__(self) -> None:
        self.waiting: list[Message] = []
        self.acknowledged = 0
        self._lock = threading.Lock()

    def put(self, readings: Sequence[Reading]) -> None:
        with self._lock:
            self.waiting += [
                Message("t", b"", 0.0, handle=list(readings[first : first + 500]))
                for first in range(0, len(readings), 500)
            ]

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def publish(self, name: str, payload: bytes, *, retain: bool = True) -> None: ...

    def take(self, limit: int, timeout: float) -> list[Message]:
        with self._lock:
            found, self.waiting = self.waiting[:1], self.waiting[1:]
        if not found:
            time.sleep(0.002)
        return found

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += len(messages)

    def health(self) -> SourceHealth:
        return SourceHealth(alive=True, connected=True, last_message=None, detail="")


class Quick:
    """A clock by which an hour passes with every look, so that nothing waits long."""

    def __init__(self) -> None:
        self._now = TORN[-1].time

    def now(self) -> float:
        self._now += HOUR
        return self._now


def decode(message: Message) -> tuple[Sequence[Reading], Sequence[Rejected]]:
    return message.handle, ()  # type: ignore[return-value]


def compose(site: Site, one: Finding) -> Mapping[str, Alert]:
    what = "raised" if one.ended is None else "ended"
    return {"phone": Alert(f"{one.fault}/{one.raised}/{what}", site.id, what, "", "high", 0.0)}


@contextmanager
def running(store: SqliteStore, broker: Broker) -> Iterator[Runner]:
    one = Runner([SITE], broker, store, decode, compose, lambda: None, Quick(), ticking=False)
    one.start()
    try:
        yield one
    finally:
        assert one.stop(20)


def until(condition: Callable[[], object], what: str) -> None:
    deadline = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < deadline, f"{what} did not come true"
        time.sleep(0.01)


@cache
def expected(readings: Sequence[Reading] = TORN, visits: tuple[Visit, ...] = ()) -> str:
    pipeline = SitePipeline(SITE)
    pipeline.log_visits(visits)
    pipeline.take(readings)
    return repr(pipeline.report())


def known(one: Runner) -> str:
    return repr(one.desks[SITE.id].report())


def standing(store: SqliteStore) -> list[Fault]:
    return [event.finding.fault for event in store.events(SITE.id) if event.finding.ended is None]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    one = SqliteStore(tmp_path / "store.db")
    yield one
    one.close()


def parts() -> tuple[Sequence[Reading], Sequence[Reading], Sequence[Reading]]:
    first, second = len(TORN) // 3, 2 * len(TORN) // 3
    return TORN[:first], TORN[first:second], TORN[second:]


def test_a_day_that_comes_late_is_found_as_if_it_had_come_in_time(store: SqliteStore) -> None:
    early, kept, late = parts()
    assert expected() != expected((*early, *late))
    broker = Broker()
    with running(store, broker) as one:
        broker.put(early)
        broker.put(late)
        until(lambda: one.stored == len(early) + len(late), "the first readings")
        broker.put(kept)
        until(lambda: known(one) == expected(), "the corrected analysis")
        until(lambda: not store.overdue(), "the end of the mark")
    assert standing(store) == [Fault.AIR_CUSHION_LOST]
    # The day's silence, and the loss once: that it began earlier than was thought is no second alert.
    told = [
        one.alert.key.split("/")[0] for one in store.due_deliveries(1e12, 100) if one.alert.title == "raised"
    ]
    assert told == [Fault.BLIND, Fault.AIR_CUSHION_LOST]


def test_what_is_overdue_survives_a_restart(store: SqliteStore, monkeypatch: pytest.MonkeyPatch) -> None:
    early, kept, late = parts()
    broker = Broker()
    monkeypatch.setattr(corrections, "QUIET", 1e9)
    monkeypatch.setattr(corrections, "LATEST", 1e9)
    with running(store, broker) as one:
        for part in (early, late, kept):
            broker.put(part)
        until(lambda: one.stored == len(TORN), "all readings")
        assert known(one) != expected()
    assert store.overdue()[SITE.id].since == pytest.approx(kept[0].time, abs=1e-6)
    with running(store, Broker()) as one:
        until(lambda: one.caught_up, "the analysis")
        assert known(one) == expected()
    assert not store.overdue()


def test_a_reading_that_comes_again_makes_nothing_overdue(store: SqliteStore) -> None:
    broker = Broker()
    with running(store, broker) as one:
        broker.put(TORN[:20_000])
        broker.put(TORN[:20_000])
        until(lambda: broker.acknowledged == 80, "both rounds")
        assert one.stored == 20_000
    assert not store.overdue()


def test_a_visit_that_is_logged_days_later_counts_from_its_time_on(store: SqliteStore) -> None:
    visit = Visit(TORN[len(TORN) // 2].time, VisitAction.GAUGED, precharge=3e5, supply=4.1e5)
    broker = Broker()
    with running(store, broker) as one:
        broker.put(TORN)
        until(lambda: known(one) == expected(), "the readings")
        store.add_visit(SITE.id, visit)
        until(lambda: known(one) == expected(visits=(visit,)), "the visit in its place")


def test_a_restart_goes_on_from_the_state_and_not_from_the_first_reading(store: SqliteStore) -> None:
    broker = Broker()
    with running(store, broker) as one:
        broker.put(TORN[:-3000])
        until(lambda: one.stored == len(TORN) - 3000, "the readings")
    # All that the state knows is gone from the store, as retention takes it.
    with store.database.write() as db:
        db.execute("DELETE FROM reading WHERE time_us < ?", (round(TORN[-3200].time * 1e6),))
    broker = Broker()
    with running(store, broker) as one:
        broker.put(TORN[-3000:])
        until(lambda: known(one) == expected(), "the same as without a restart")
    assert standing(store) == [Fault.AIR_CUSHION_LOST]


def test_a_state_of_another_program_or_a_damaged_one_is_not_used(store: SqliteStore) -> None:
    store.commit(TORN, [])
    first = finished(store)
    state = store.saved_state
    for column, value in (("program", "another"), ("body", b"damaged")):
        with running(store, Broker()) as one:
            until(lambda one=one: one.caught_up, "the analysis")  # type: ignore[misc]
        with store.database.write() as db:
            db.execute(f"UPDATE analysis SET {column} = ?", (value,))  # noqa: S608  one of two words
        assert repr(finished(store).pipeline.report()) == repr(first.pipeline.report())
    assert state(SITE.id, "another") is None


def finished(store: SqliteStore) -> Rebuild:
    work = Rebuild(SITE, store)
    while not work.step():
        pass
    return work
