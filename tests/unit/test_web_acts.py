"""The forms of events and of work on site, on a real store: what they do, what they refuse, and what the page shows."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlencode

import httpx
import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.errors import StoreError
from monitor.readings import Point
from monitor.service.board import LiveBoard
from monitor.service.ports import Alert, EventState, SourceHealth
from monitor.service.urgency import urgency
from monitor.site import Heater, Site
from monitor.store.sqlite import SqliteStore
from monitor.web.server import create_app

NOW = 1772546400.0  # 2026-03-03T14:00:00Z
HOUR, DAY = 3600.0, 86400.0
ADA = {"who": "Ada <B>", "why": "tank comes Friday"}


class Clock:
    def __init__(self) -> None:
        self.time = NOW

    def now(self) -> float:
        return self.time


def finding(fault: Fault, severity: Severity = Severity.MEDIUM, raised: float = NOW - HOUR) -> Finding:
    return Finding(fault, raised, raised, severity, 0.99, "seen", "do", "mind", {})


def alert(one: Finding) -> dict[str, Alert]:
    return {"mail": Alert(f"{one.fault}/{one.raised}", "mill", "t", "b", one.severity.value, one.raised)}


class Desk:
    def __init__(self, site_id: str, store: SqliteStore) -> None:
        self.site = Site(
            site_id, f"House {site_id}", 0.0, "Europe/London", "bar", Heater(), None, None, None, None
        )
        self._store = store

    def report(self) -> Report:
        found = tuple(event.finding for event in self._store.events(self.site.id))
        verdict = Verdict.FAULT if any(one.ended is None for one in found) else Verdict.HOLDING
        return Report(
            self.site.id, NOW - DAY, NOW, 9, verdict, "so", (), None, None, found, (), None, NOW, 1
        )  # fmt: skip


class Seat:
    """A browser in front of the page of four sites."""

    def __init__(self, store: SqliteStore) -> None:
        self.store, self.clock = store, Clock()
        desks = {name: Desk(name, store) for name in ("mill", "shed", "barn", "forge")}
        runner: Any = SimpleNamespace(desks=desks, problems=list, stored=0)
        source: Any = SimpleNamespace(health=lambda: SourceHealth(True, True, NOW, ""))
        self.board = LiveBoard(runner, source, store, self.clock)
        self._transport = httpx.ASGITransport(create_app(self.board, self.clock))

    def ask(self, method: str, path: str, **what: Any) -> httpx.Response:
        async def once() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=self._transport, base_url="http://127.0.0.1:8080"
            ) as client:
                return await client.request(method, path, **what)

        return asyncio.run(once())

    def send(self, path: str, headers: dict[str, str] | None = None, **fields: object) -> httpx.Response:
        return self.ask("POST", path, content=urlencode(fields), headers=headers or {})

    def text(self, path: str) -> str:
        html = self.ask("GET", path).text
        return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())

    def owed(self) -> list[str]:
        return [one.alert.key for one in self.store.due_deliveries(NOW, 100)]


@pytest.fixture
def seat(tmp_path: Path) -> Iterator[Seat]:
    store = SqliteStore(tmp_path / "store.db")
    yield Seat(store)
    store.close()


def test_an_event_is_shelved_shown_so_and_comes_back_by_itself(seat: Seat) -> None:
    one = finding(Fault.AIR_CHARGE_LOW)
    seat.store.raise_event("mill", one, alert(one))
    answer = seat.send("/events/1/shelve", **ADA, seconds=2 * DAY)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites/mill")
    words = seat.text("/sites/mill")
    assert "Shelved until 5 Mar 2026, 14:00 GMT by Ada <B>: tank comes Friday." in words
    assert "Take event 1 off its shelf" in words
    assert "Open events" in words
    assert words.count("Shelved until") == 2
    assert "Shelved until 5 Mar 2026, 14:00 GMT by Ada <B>" in seat.text("/")
    seat.clock.time += 2 * DAY + 6
    words = seat.text("/sites/mill")
    assert "Shelved until" not in words
    assert "Shelve event 1" in words
    assert [line.act for line in seat.store.event_changes(1)] == ["raised", "shelved", "shelf_ended"]


def test_an_event_is_taken_off_its_shelf_by_a_person(seat: Seat) -> None:
    seat.store.raise_event("mill", finding(Fault.BLIND), {})
    assert seat.send("/events/1/unshelve", **ADA).status_code == 409
    seat.send("/events/1/shelve", **ADA, seconds=HOUR)
    assert seat.send("/events/1/unshelve", **ADA).status_code == 303
    event = seat.store.event(1)
    assert event is not None
    assert (event.shelf, event.state) == (None, EventState.ACTIVE_UNACKNOWLEDGED)


def test_a_relief_valve_that_discharges_is_shelved_only_when_confirmed_and_for_a_shift(seat: Seat) -> None:
    seat.store.raise_event("mill", finding(Fault.RELIEF_DISCHARGING, Severity.HIGH), {})
    html = seat.ask("GET", "/sites/mill").text
    assert '<input type="checkbox" id="shelve-1-urgent" name="urgent" value="yes" required>' in html
    refused = seat.send("/events/1/shelve", **ADA, seconds=HOUR)
    assert refused.status_code == 409
    assert "confirm a second time" in refused.text
    too_long = seat.send("/events/1/shelve", **ADA, seconds=9 * HOUR, urgent="yes")
    assert (too_long.status_code, "8 h at a time" in too_long.text) == (409, True)
    assert seat.send("/events/1/shelve", **ADA, seconds=8 * HOUR, urgent="yes").status_code == 303
    assert "Shelved until 3 Mar 2026, 22:00 GMT" in seat.text("/sites/mill")


def test_a_site_is_taken_out_and_put_back_and_what_still_stands_is_told(seat: Seat) -> None:
    assert seat.send("/sites/mill/out", **ADA).headers["location"] == "/sites/mill#work"
    assert seat.send("/sites/mill/out", **ADA).status_code == 409
    low, over, urgent = (
        finding(Fault.AIR_CHARGE_LOW),
        finding(Fault.BLIND, raised=NOW - 60),
        finding(Fault.RELIEF_DISCHARGING, Severity.HIGH, NOW - 30),
    )
    for one in (low, over, urgent):
        seat.store.raise_event("mill", one, alert(one))
    seat.store.end_event("mill", replace(over, ended=NOW), alert(replace(over, raised=1.0)))
    assert seat.owed() == [f"relief_discharging/{NOW - 30}"]
    seat.clock.time += 8 * DAY
    for path in ("/", "/sites/mill"):
        words = seat.text(path)
        assert "Out of service since 3 Mar 2026, 14:00 GMT, taken out by Ada <B>: tank comes Friday." in words
        assert "That is 8 days ago: is it still so?" in words
    assert seat.send("/sites/mill/back", **ADA).status_code == 303
    assert seat.owed() == [f"relief_discharging/{NOW - 30}", f"air_charge_low/{NOW - HOUR}"]
    assert "Out of service since" not in seat.text("/sites/mill")
    assert seat.send("/sites/mill/back", **ADA).status_code == 409


def test_a_point_that_is_out_keeps_quiet_what_is_concluded_from_it_alone(seat: Seat) -> None:
    seat.send("/sites/mill/out", **ADA, point="heater")
    heater, leak = finding(Fault.HEATER_STATE_FAULT), finding(Fault.SUPPLY_PRESSURE_HIGH)
    for one in (heater, leak):
        seat.store.raise_event("mill", one, alert(one))
    assert seat.owed() == [f"supply_pressure_high/{NOW - HOUR}"]
    assert "Heater out of service since" in seat.text("/sites/mill")
    assert seat.store.outs()[0].point is Point.HEATER
    assert seat.send("/sites/mill/back", **ADA, point="heater").status_code == 303
    assert len(seat.owed()) == 2


def test_many_sites_at_once_are_told_as_one_above_the_list(seat: Seat) -> None:
    for number, site in enumerate(("mill", "shed", "barn")):
        seat.store.raise_event(site, finding(Fault.BLIND, raised=NOW - HOUR + 60 * number), {})
    words = seat.text("/")
    assert "3 sites at once, 3 Mar 2026, 13:00 GMT: site is not watched at present." in words
    assert "House mill , House shed , House barn" in words


def test_an_event_names_what_it_explains(seat: Seat) -> None:
    low = finding(Fault.AIR_CHARGE_LOW, raised=NOW - 5 * DAY)
    lost = finding(Fault.AIR_CUSHION_LOST, Severity.HIGH)
    seat.store.raise_event("mill", low, {})
    seat.store.end_event("mill", replace(low, ended=lost.raised), {})
    seat.store.raise_event("mill", lost, {})
    assert "It explains event 1 (expansion tank is low on air)." in seat.text("/sites/mill")


def test_a_site_that_is_worked_on_waits_behind_one_that_nobody_cares_for(seat: Seat) -> None:
    seat.store.raise_event("mill", finding(Fault.AIR_CUSHION_LOST, Severity.HIGH), {})
    seat.store.raise_event("shed", finding(Fault.AIR_CHARGE_LOW), {})
    assert [view.site.id for view in seat.board.sites()][:2] == ["mill", "shed"]
    seat.send("/sites/mill/out", **ADA)
    assert [view.site.id for view in seat.board.sites()][:2] == ["shed", "mill"]
    mill = seat.board.site("mill")
    assert mill is not None
    assert urgency(mill, NOW)[0] < urgency(replace(mill, events=[], outs=()), NOW)[0] + 4


def test_an_old_event_that_stands_stays_on_the_page_of_a_site_with_many(seat: Seat) -> None:
    seat.store.raise_event("mill", finding(Fault.AIR_CHARGE_LOW, raised=NOW - 300 * DAY), {})
    for number in range(60):
        one = finding(Fault.BLIND, raised=NOW - 200 * DAY + number * DAY)
        seat.store.raise_event("mill", one, {})
        seat.store.end_event("mill", replace(one, ended=one.raised + HOUR), {})
        seat.store.acknowledge_event(number + 2, "Ada", NOW)
    assert 'id="event-1"' in seat.ask("GET", "/sites/mill").text


def test_a_store_that_cannot_be_written_still_shows_the_page_and_ends_the_shelf_later(
    seat: Seat, monkeypatch: pytest.MonkeyPatch
) -> None:
    seat.store.raise_event("mill", finding(Fault.BLIND), {})
    seat.send("/events/1/shelve", **ADA, seconds=HOUR)
    seat.clock.time += 2 * HOUR

    def full(_: float) -> int:
        raise StoreError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(seat.store, "lapse", full)
        assert "Shelved until" in seat.text("/sites/mill")
    assert "Shelved until" in seat.text("/sites/mill")  # looked for again after a few seconds only
    seat.clock.time += 6
    assert "Shelved until" not in seat.text("/sites/mill")


@pytest.mark.parametrize(
    ("path", "fields", "headers", "status", "words"),
    [
        ("/events/9/shelve", {**ADA, "seconds": 60}, {}, 404, "there is no event 9"),
        ("/events/1/shelve", {**ADA, "seconds": "x"}, {}, 422, "say for how long"),
        ("/events/1/shelve", {**ADA, "seconds": "nan"}, {}, 409, "must lie ahead"),
        ("/events/1/shelve", {**ADA, "seconds": "inf"}, {}, 409, "must lie ahead"),
        ("/events/1/shelve", {**ADA, "seconds": -5}, {}, 409, "must lie ahead"),
        ("/events/1/shelve", {**ADA, "seconds": 8 * DAY}, {}, 409, "7 days at a time"),
        ("/events/1/shelve", {"who": "", "why": "x", "seconds": 60}, {}, 422, "your name is missing"),
        (
            "/events/1/shelve",
            {"who": "Ada", "why": "\x1b\n", "seconds": 60},
            {},
            422,
            "the reason is missing",
        ),
        ("/events/1/shelve", {"who": "a" * 81, "why": "x", "seconds": 60}, {}, 422, "at most 80"),
        ("/events/1/shelve", {**ADA, "why": "y" * 5000}, {}, 413, "too large"),
        (
            "/events/1/shelve",
            {**ADA, "seconds": 60},
            {"Origin": "http://elsewhere.example"},
            403,
            "another site",
        ),
        ("/sites/mill/out", ADA, {"Origin": "null"}, 403, "another site"),
        ("/sites/mill/out", {**ADA, "point": "roof"}, {}, 422, "there are pressure, heater, temperature"),
        ("/sites/nowhere/out", ADA, {}, 404, "there is no site"),
        ("/sites/mill/back", ADA, {}, 409, "is not out of service; nothing is"),
        ("/sites/mill/out", {f"f{n}": n for n in range(30)}, {}, 422, "too many fields"),
    ],
)
def test_a_wrong_form_is_refused_in_words_and_changes_nothing(
    seat: Seat, path: str, fields: dict[str, object], headers: dict[str, str], status: int, words: str
) -> None:
    seat.store.raise_event("mill", finding(Fault.AIR_CHARGE_LOW), {})
    answer = seat.send(path, headers, **fields)
    assert answer.status_code == status
    assert words in unescape(answer.text)
    assert seat.store.event(1) == seat.store.events()[0]
    assert [line.act for line in seat.store.audit(0.0)] == ["raised"]


@pytest.mark.parametrize(
    "path", ["/events/1/shelve", "/events/1/unshelve", "/sites/mill/out", "/sites/mill/back"]
)
def test_looking_never_acts(seat: Seat, path: str) -> None:
    assert seat.ask("GET", path).status_code == 405
