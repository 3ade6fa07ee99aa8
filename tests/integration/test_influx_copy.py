"""The copy against real databases and against every way in which one can fail.

What is counted: points sent = points stored there + points set aside, none twice.
"""

from __future__ import annotations

import random
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from broker import free_port, wait_until
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tsdb import (
    BUCKET,
    HOST,
    TOKEN,
    Answer,
    InfluxServer,
    answering,
    needs_influx,
    running_influx,
    running_metrics,
)

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.errors import StoreError
from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.store.influx.copier import Copier
from monitor.store.influx.history import owe_history
from monitor.store.influx.ledger import Ledger
from monitor.store.influx.lines import COPY, EVENT, FIELDS, READING, VERDICTS
from monitor.store.influx.reader import count_readings, query
from monitor.store.influx.remote import Remote, Target
from monitor.store.influx.sender import BackOff
from monitor.store.influx.store import CopiedStore
from monitor.store.sqlite import SqliteStore

EPOCH = 1_767_225_600.0
QUICK = BackOff(first=0.02, longest=0.1, settings=0.1)


class Copying:
    """A store, its ledger and the thread that copies; may be stopped and opened again."""

    def __init__(self, folder: Path, target: Target, *, batch: int = 500, most: int = 200_000) -> None:
        self._folder, self._target, self._batch, self._most = folder, target, batch, most
        self.reports: list[Report] = []
        self.open()

    def open(self) -> None:
        self.ledger = Ledger(self._folder / "copy.db", most=self._most)
        self.store = CopiedStore(self._folder / "store.db", self.ledger)
        self.copier = Copier(
            self.ledger, self.store, Remote(self._target), lambda: self.reports, SystemClock(), random.random,
            back_off=QUICK, period=0.02, batch=self._batch,
        )  # fmt: skip

    def close(self) -> None:
        self.copier.stop()
        self.store.close()
        self.ledger.close()

    def put(self, site: str, times: Sequence[float], point: Point = Point.PRESSURE) -> None:
        self.store.commit([Reading(site, point, t, value_at(t)) for t in times], [])

    def owed(self) -> int:
        return self.ledger.counts()[0]

    def aside(self) -> int:
        return self.ledger.counts()[1]

    def drained(self, timeout: float = 20.0) -> None:
        wait_until(lambda: not self.owed(), timeout=timeout, what="an empty ledger")


def value_at(time: float) -> float:
    return 300.0 + time % 977 / 7


@contextmanager
def copying(folder: Path, target: Target, **how: int) -> Iterator[Copying]:
    one = Copying(folder, target, **how)
    try:
        yield one
    finally:
        one.close()


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServer]:
    with running_influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


def stored(server: InfluxServer, site: str, point: Point = Point.PRESSURE) -> list[tuple[float, float]]:
    """Return (time, value) of a series in the database."""
    field = FIELDS[point]
    rows = server.rows(f"SELECT \"{field}\" FROM {READING} WHERE site = '{site}'")  # noqa: S608
    return [(stamp / 1e6, value) for stamp, value in rows]


def expected(times: Sequence[float]) -> list[tuple[float, float]]:
    return [(t, value_at(t)) for t in sorted(times)]


@needs_influx
def test_readings_events_and_state_arrive_under_our_names(tmp_path: Path, influx: InfluxServer) -> None:
    finding = Finding(Fault.AIR_CHARGE_LOW, EPOCH, EPOCH + 60, Severity.MEDIUM, 0.9, "", "", "")
    with copying(tmp_path, influx.target) as one:
        charge = (
            ChargeEstimate(EPOCH + 1, 210.0, 200.0, 220.0),
            ChargeEstimate(EPOCH + 2, 209.0, 200.0, 219.0),
        )
        one.reports.append(
            Report("named", EPOCH, EPOCH + 90, 3, Verdict.FAULT, "", charge, None, 400.0, (finding,), (), None, None, 7)
        )  # fmt: skip
        for point in Point:
            one.put("named", [EPOCH, EPOCH + 10.25, EPOCH + 20.000001], point)
        assert one.store.raise_event("named", finding, {}) is not None
        one.copier.start()
        one.drained()
        assert one.store.end_event("named", replace(finding, ended=EPOCH + 80), {}) is not None
        one.drained()
        assert one.copier.problems() == []
    for point in Point:
        assert stored(influx, "named", point) == expected([EPOCH, EPOCH + 10.25, EPOCH + 20.000001])
    events = influx.rows(
        "SELECT standing, confidence, fault, severity FROM cushionwatch_event WHERE site = 'named'"
    )
    begun, over = (EPOCH + 60) * 1e6, (EPOCH + 80) * 1e6
    assert events == [(begun, 1, 0.9, "air_charge_low", "medium"), (over, 0, 0.9, "air_charge_low", "medium")]
    state = influx.rows(
        "SELECT verdict, faults, windows, supply_kpa, peak_kpa FROM cushionwatch_state WHERE site = 'named'"
    )
    assert state == [((EPOCH + 90) * 1e6, VERDICTS[Verdict.FAULT], 1, 7, 400, None)]
    charges = influx.rows(
        "SELECT charge_kpa, low_kpa, high_kpa FROM cushionwatch_charge WHERE site = 'named'"
    )
    assert charges == [((EPOCH + 1) * 1e6, 210, 200, 220), ((EPOCH + 2) * 1e6, 209, 200, 219)]


@needs_influx
def test_a_database_that_is_down_from_the_start_gets_all_of_it_later(tmp_path: Path) -> None:
    times = [EPOCH + 5.0 * step for step in range(4000)]
    with running_influx(tmp_path / "influx", started=False) as server:
        with copying(tmp_path, server.target) as one:
            one.copier.start()
            for first in range(0, 4000, 50):
                one.put("early", times[first : first + 50])
            time.sleep(0.2)
            assert one.owed() >= 1
        with copying(tmp_path, server.target) as one:  # the service was restarted during the outage
            one.copier.start()
            time.sleep(0.1)
            server.start()
            one.drained()
            assert one.aside() == 0
        assert stored(server, "early") == expected(times)


@needs_influx
def test_all_that_is_stored_is_copied_when_it_is_asked_for(tmp_path: Path, influx: InfluxServer) -> None:
    times = [EPOCH + 600.0 * step for step in range(1000)]
    finding = Finding(Fault.AIR_CHARGE_LOW, EPOCH, EPOCH + 60, Severity.MEDIUM, 0.9, "", "", "")
    with copying(tmp_path, influx.target) as one:
        before = SqliteStore(tmp_path / "store.db")
        before.commit([Reading("history", Point.PRESSURE, t, value_at(t)) for t in times], [])
        before.raise_event("history", finding, {})
        assert one.owed() == 0
        assert owe_history(one.ledger, before) == 1000 // 6 + 1 + 1
        before.close()
        one.copier.start()
        one.drained()
        assert stored(influx, "history") == expected(times)
        assert len(influx.rows(f"SELECT standing FROM {EVENT} WHERE site = 'history'")) == 1  # noqa: S608


def test_more_history_than_may_be_owed_is_refused_before_anything_is_lost(tmp_path: Path) -> None:
    with copying(tmp_path, Target("http://127.0.0.1:9", "o", "b", lambda: "t"), most=20) as one:
        one.put("a", [EPOCH + 3600.0 * hour for hour in range(15)])
        with pytest.raises(StoreError, match=r"16 hours .* no more than 5 .* owe_at_most = 32"):
            owe_history(one.ledger, one.store)
        assert one.owed() == 15


@needs_influx
def test_a_database_killed_again_and_again_ends_up_whole(tmp_path: Path) -> None:
    times = [EPOCH + step for step in range(20_000)]
    with running_influx(tmp_path / "influx") as server, copying(tmp_path, server.target) as one:
        one.copier.start()

        def feed() -> None:
            for first in range(0, 20_000, 50):
                one.put("killed", times[first : first + 50])
                time.sleep(0.004)

        feeder = threading.Thread(target=feed)
        feeder.start()
        for _ in range(3):
            time.sleep(0.4)
            server.kill()
            time.sleep(0.2)
            server.start_inner()
        feeder.join()
        one.drained()
        assert one.aside() == 0
        assert stored(server, "killed") == expected(times)


@needs_influx
def test_points_that_the_database_refuses_are_set_aside_with_its_reason(
    tmp_path: Path, influx: InfluxServer
) -> None:
    """InfluxDB has no time after 2262-04-11; the store has."""
    good = [EPOCH + step for step in range(300)]
    bad = [9_300_000_000.0 + 7200 * step for step in range(5)]
    rng = random.Random(5)
    mixed = rng.sample(good + bad, len(good) + len(bad))
    with copying(tmp_path, influx.target) as one:
        for first in range(0, len(mixed), 20):
            one.put("refused", mixed[first : first + 20])
        one.put("refused", [mixed[0]])  # again, as a broker does
        one.copier.start()
        one.drained()
        listed = one.ledger.aside(100)
        assert len(listed) == one.aside() == 5
        assert one.copier.problems() == []
        one.put("refused", bad[:2])  # and a refused one again: listed once
        one.drained()
        assert one.aside() == 5
    assert all("time outside range" in row.reason for row in listed)
    assert sorted(int(row.line.split()[-1]) for row in listed) == [round(t * 1e6) for t in bad]
    assert stored(influx, "refused") == expected(good)
    assert count_readings(influx.target, "refused", Point.PRESSURE, 0, 9_000_000_000_000_000) == len(good)


@needs_influx
def test_a_wrong_token_is_told_and_a_mended_one_needs_no_restart(
    tmp_path: Path, influx: InfluxServer
) -> None:
    token = tmp_path / "token"
    token.write_text("wr0ng")
    with copying(tmp_path, replace(influx.target, token=token.read_text)) as one:
        one.put("token", [EPOCH])
        one.copier.start()
        wait_until(one.copier.problems, what="a problem")
        (problem,) = one.copier.problems()
        assert "until its settings or [timeseries] are changed: answer 401" in problem
        assert "wr0ng" not in problem
        token.write_text(TOKEN)
        one.drained()
        assert one.copier.problems() == []
    assert stored(influx, "token") == expected([EPOCH])


@needs_influx
def test_a_bucket_that_does_not_exist_is_told_and_nothing_is_lost(
    tmp_path: Path, influx: InfluxServer
) -> None:
    target = replace(influx.target, bucket="no such bucket")
    with copying(tmp_path, target) as one:
        one.put("bucket", [EPOCH])
        one.copier.start()
        wait_until(one.copier.problems, what="a problem")
        assert "answer 404: database not found" in one.copier.problems()[0]
        assert one.owed() >= 1
        assert one.aside() == 0
    with pytest.raises(StoreError, match="database not found"):
        query(target, "SELECT heater FROM cushionwatch_reading")


@needs_influx
def test_what_the_store_refused_as_a_repeat_does_not_reach_the_copy(
    tmp_path: Path, influx: InfluxServer
) -> None:
    """The first value of a time stays in the store: so it does in a database where the last one would."""
    with copying(tmp_path, influx.target) as one:
        one.copier.start()
        one.store.commit([Reading("first", Point.PRESSURE, EPOCH, 1.5)], [])
        one.drained()
        one.store.commit([Reading("first", Point.PRESSURE, EPOCH, 2.5)], [])
        one.drained()
    assert stored(influx, "first") == [(EPOCH, 1.5)]


odd_text = st.text(
    st.characters(exclude_categories=("Cs",), exclude_characters="\n\r\t\0") | st.sampled_from(",= \"\\'#"),
    min_size=1,
    max_size=30,
)
odd_floats = st.floats(allow_nan=False, allow_infinity=False)


@needs_influx
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(site=odd_text, values=st.lists(odd_floats, min_size=1, max_size=8))
def test_odd_names_and_numbers_come_back_as_they_went(
    tmp_path_factory: pytest.TempPathFactory, influx: InfluxServer, site: str, values: list[float]
) -> None:
    with copying(tmp_path_factory.mktemp("odd"), influx.target) as one:
        one.store.commit(
            [Reading(site, Point.HEATER, EPOCH + at, value) for at, value in enumerate(values)], []
        )
        one.copier.round()
        assert (one.owed(), one.aside()) == (0, 0)
    found = [
        table
        for table in query(influx.target, "SELECT heater FROM cushionwatch_reading GROUP BY site")
        if table.tags["site"] == as_kept(site)
    ]
    assert len(found) == 1
    rows = [(stamp, float(value)) for stamp, value in found[0].rows]
    assert rows[: len(values)] == [((EPOCH + at) * 1e6, value) for at, value in enumerate(values)]


def as_kept(site: str) -> str:
    """Return what a tag becomes on the way: the library puts a space behind a backslash at the end."""
    return site + " " if site.endswith("\\") else site


# ---- answers that no database gives on demand


def lines_in(batches: list[list[bytes]]) -> list[bytes]:
    return [
        line
        for batch in batches
        for line in batch
        if not line.startswith((COPY.encode(), b"cushionwatch_state"))
    ]


@pytest.mark.parametrize(
    "fault", [(500, {}, b"boom"), (503, {}, b""), (429, {"Retry-After": "0"}, b'{"message": "slow down"}'), None]
)  # fmt: skip
def test_what_is_answered_with_come_again_is_sent_again_in_order(
    tmp_path: Path, fault: Answer | None
) -> None:
    taken: list[list[bytes]] = []
    refusals = 3

    def answer(batch: list[bytes]) -> Answer | None:
        nonlocal refusals
        if refusals:
            refusals -= 1
            return fault
        taken.append(batch)
        return 204, {}, b""

    times = [EPOCH + step for step in range(1200)]
    with answering(answer) as target, copying(tmp_path, target) as one:
        one.put("again", times)
        one.copier.start()
        one.drained()
        assert one.aside() == 0
    sent = lines_in(taken)
    assert [int(line.split()[-1]) for line in sent] == [round(t * 1e6) for t in times]
    assert max(map(len, taken)) == 500


def test_a_server_that_refuses_everything_is_misset_and_costs_no_point(tmp_path: Path) -> None:
    def answer(batch: list[bytes]) -> Answer:
        return 400, {}, b'{"error": "database is required"}'

    with answering(answer) as target, copying(tmp_path, target) as one:
        one.put("all", [EPOCH + step for step in range(40)])
        one.copier.start()
        wait_until(one.copier.problems, what="a problem")
        assert "even a harmless point is refused" in one.copier.problems()[0]
        assert one.aside() == 0
        assert one.owed() >= 1


def test_an_answer_that_cannot_be_read_is_tried_again(tmp_path: Path) -> None:
    asked: list[int] = []

    def answer(_: list[bytes]) -> Answer:
        asked.append(1)
        return (502, {}, b"\xff\xfe\x00") if len(asked) < 3 else (204, {}, b"")

    with answering(answer) as target, copying(tmp_path, target) as one:
        one.put("a", [EPOCH])
        one.copier.start()
        one.drained()
        assert one.copier.problems() == []
    assert len(asked) >= 3


def test_halving_finds_each_bad_point_and_sends_every_good_one(tmp_path: Path) -> None:
    """A server that takes a batch as a whole or not at all, which InfluxDB 1.6 does not."""
    taken: list[list[bytes]] = []

    def answer(batch: list[bytes]) -> Answer:
        if any(
            int(line.split()[-1]) % 7_000_000 == 0 for line in batch if not line.startswith(COPY.encode())
        ):
            return 422, {}, b'{"message": "unlucky"}'
        taken.append(batch)
        return 204, {}, b""

    times = [EPOCH + step for step in range(600)]
    bad = [t for t in times if t % 7 == 0]
    with answering(answer) as target, copying(tmp_path, target) as one:
        one.put("halves", times)
        one.copier.start()
        one.drained()
        assert one.aside() == len(bad)
        assert {row.reason for row in one.ledger.aside(1000)} == {"answer 422: unlucky"}
    stamps = [int(line.split()[-1]) for line in lines_in(taken)]
    assert sorted(stamps) == [round(t * 1e6) for t in times if t not in bad]


def test_a_server_that_never_answers_holds_up_neither_the_store_nor_the_end(tmp_path: Path) -> None:
    with answering(lambda _: None) as target, copying(tmp_path, replace(target, timeout=30.0)) as one:
        one.put("hangs", [EPOCH])
        one.copier.start()
        wait_until(lambda: one.copier._sender.asked is not None, what="a write under way")
        began = time.monotonic()
        for step in range(1, 50):
            one.put("hangs", [EPOCH + step])
        assert not one.copier.stop(0.1)
        assert time.monotonic() - began < 5
        assert one.store.readings("hangs", Point.PRESSURE, 0.0, 1e12)[0].size == 50


def test_beyond_the_bound_the_oldest_become_listed_gaps(tmp_path: Path) -> None:
    taken: list[list[bytes]] = []
    up = threading.Event()

    def answer(batch: list[bytes]) -> Answer:
        if not up.is_set():
            return 503, {}, b""
        taken.append(batch)
        return 204, {}, b""

    hours = [EPOCH + 3600.0 * step for step in range(30)]
    with answering(answer) as target, copying(tmp_path, target, most=10) as one:
        for first in hours:
            one.put("bound", [first, first + 1])
        assert one.ledger.trim(EPOCH) == 20
        up.set()
        one.copier.start()
        one.drained()
        (gap,) = one.ledger.gaps(10)
        assert (gap.kind, gap.site) == ("pressure", "bound")
        assert (gap.first_us / 1e6, gap.last_us / 1e6) == (hours[0], hours[19] + 1)
        assert one.store.readings("bound", Point.PRESSURE, 0.0, 1e12)[0].size == 60
    assert len(lines_in(taken)) == 20


def test_a_port_with_nobody_behind_it_is_told_after_a_minute_only(tmp_path: Path) -> None:
    target = Target(f"http://{HOST}:{free_port()}", "home", BUCKET, lambda: TOKEN)
    with copying(tmp_path, target) as one:
        one.put("nobody", [EPOCH])
        one.copier.start()
        wait_until(lambda: one.copier._sender.failing, what="a failed write")
        assert one.copier.problems() == []
        failing = one.copier._sender.failing
        assert failing is not None
        assert "refused" in failing[1]
        assert TOKEN not in failing[1]


# ---- the database that Debian 12 and 13 both have


def test_a_server_with_v2_writes_alone_takes_all_of_it(tmp_path: Path) -> None:
    times = [EPOCH + 0.5 * step for step in range(3000)]
    with running_metrics(tmp_path / "vm") as server, copying(tmp_path, server.target) as one:
        one.put("river-12", times)
        one.put("river-12", times[:10], Point.TEMPERATURE)
        one.copier.start()
        one.drained()
        assert one.aside() == 0
        match = f'{READING}_{FIELDS[Point.PRESSURE]}{{site="river-12"}}'
        wait_until(lambda: server.series(match), what="readable points")
        (series,) = server.series(match)
    assert list(zip(series["timestamps"], series["values"], strict=True)) == [
        (round(t * 1000), pytest.approx(value_at(t), rel=1e-12)) for t in times
    ]


def test_a_server_that_confirms_before_it_writes_gets_again_what_it_lost_when_it_was_killed(
    tmp_path: Path,
) -> None:
    """It loses the last seconds on a kill (seen: 79 of 131 thousand points in 15 s), having answered 204."""
    times = [EPOCH + step for step in range(20_000)]
    with running_metrics(tmp_path / "vm") as server, copying(tmp_path, server.target) as one:
        one.copier.start()

        def feed() -> None:
            for first in range(0, 20_000, 50):
                one.put("killed", times[first : first + 50])
                time.sleep(0.01)

        feeder = threading.Thread(target=feed)
        feeder.start()
        for _ in range(2):
            time.sleep(1.0)
            server.stop(signal.SIGKILL)
            time.sleep(0.3)
            server.start()
        feeder.join()
        one.drained()
        match = f'{READING}_{FIELDS[Point.PRESSURE]}{{site="killed"}}'
        wait_until(
            lambda: sum(len(part["values"]) for part in server.series(match)) == 20_000, what="all points"
        )
        (series,) = server.series(match)
    assert list(zip(series["timestamps"], series["values"], strict=True)) == [
        (round(t * 1000), pytest.approx(value_at(t), rel=1e-12)) for t in times
    ]


@needs_influx
def test_the_documented_retention_and_rollup_are_taken_as_they_stand(influx: InfluxServer) -> None:
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
    statements = text.split("```sql\n")[1].split("```")[0].strip().splitlines()
    assert len(statements) == 2
    for statement in statements:
        assert query(influx.target, statement) == []
    names = [row[0] for table in query(influx.target, "SHOW CONTINUOUS QUERIES") for row in table.rows]
    assert names == ["hourly"]
