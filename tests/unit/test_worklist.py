"""The work list: what presses most comes first, and other programs can read it."""

from __future__ import annotations

import asyncio
import csv
import io
from dataclasses import replace
from datetime import date

import httpx
import pytest
from icalendar import Calendar

from monitor.diagnosis.advice import Advice
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Forecast, Report, Verdict
from monitor.diagnosis.timings import TIMINGS
from monitor.service.ports import Event, EventState, SiteView
from monitor.service.worklist import AT_HOME, BRING, work_list
from monitor.site import Site
from monitor.web.jobs import COLUMNS, as_calendar, as_csv, as_rows
from monitor.web.server import create_app

T0 = 1_767_225_600.0
DAY = 86400.0
EMPTY = Report("", T0 - 9 * DAY, T0, 9, Verdict.FAULT, "", (), None, None, (), (), None, None, 9)


def finding(fault: Fault, raised: float = T0, severity: Severity = Severity.MEDIUM) -> Finding:
    return Finding(fault, raised, raised, severity, 0.97, "seen", "act", "care")


def view(site: str, *findings: Finding, forecast: Forecast | None = None, **facts: object) -> SiteView:
    report = replace(EMPTY, site=site, findings=findings, forecast=forecast)
    events = [
        Event(number, site, one, EventState.ACTIVE_UNACKNOWLEDGED) for number, one in enumerate(findings, 1)
    ]
    return SiteView(replace(Site(site), **facts), report, {}, events)  # type: ignore[arg-type]


def test_what_presses_most_comes_first() -> None:
    views = [
        view("small", finding(Fault.TANK_UNDERSIZED)),
        view("low-late", finding(Fault.AIR_CHARGE_LOW, T0 - 20 * DAY)),
        view("low", finding(Fault.AIR_CHARGE_LOW)),
        view("low-soon", finding(Fault.AIR_CHARGE_LOW), forecast=Forecast(T0 + 3 * DAY, T0, None, 300.0)),
        view("drips", finding(Fault.RELIEF_DISCHARGING, severity=Severity.HIGH)),
        view("sound"),
    ]
    jobs = work_list(views, T0)
    assert [job.site.id for job in jobs] == ["drips", "low-late", "low-soon", "low", "small", "sound"]
    assert [job.urgent for job in jobs] == [True, False, False, False, False, False]
    assert jobs[1].due == T0 - 20 * DAY + TIMINGS[Fault.AIR_CHARGE_LOW].respond_within < T0
    assert jobs[2].due == T0 + 3 * DAY
    # Never gauged: worth a visit, at no date.
    assert (jobs[5].row.advice, jobs[5].due) == (Advice.GAUGE, None)


def test_a_fault_that_has_ended_sends_nobody() -> None:
    over = replace(finding(Fault.WATER_LOSS), ended=T0 + 1)
    (job,) = work_list([view("a", over)], T0)
    assert (job.faults, job.events, job.row.advice) == ((), (), Advice.GAUGE)


def test_each_advice_that_needs_a_visit_says_what_to_bring() -> None:
    assert {advice for advice in Advice if not BRING[advice]} == AT_HOME
    (job,) = work_list([view("a", finding(Fault.TANK_UNDERSIZED), tank_volume=8e-3)], T0)
    assert job.bring[0].startswith("expansion tank larger than 8 L")


def test_a_relief_valve_that_discharges_comes_before_the_tank() -> None:
    lost = replace(
        finding(Fault.AIR_CUSHION_LOST, severity=Severity.HIGH), evidence={"relief_discharging_since": T0}
    )
    (job,) = work_list([view("a", lost)], T0)
    assert (job.row.advice, job.urgent) == (Advice.CALL, True)
    assert job.cautions[0].startswith("Never plug, cap or shut off a relief valve")
    assert "air pump" in job.bring
    feed = as_calendar([job], T0).replace(b"\r\n ", b"").decode()
    assert "Caution: Never plug" in feed
    assert "URGENT: a: Call licensed help now" in feed


def test_dates_are_those_of_the_event_that_people_heard_of() -> None:
    seen = view("a", finding(Fault.AIR_CUSHION_LOST, T0))
    anew = replace(seen.report, findings=(finding(Fault.AIR_CUSHION_LOST, T0 - 3 * DAY),))
    (job,) = work_list([replace(seen, report=anew)], T0)
    assert (job.since, job.due) == (T0, T0 + 2 * DAY)


def test_the_table_runs_no_formula_and_has_a_line_for_each_job() -> None:
    jobs = work_list([view("a", finding(Fault.WATER_LOSS), name="=1+1", customer="@x", address="a\nb")], T0)
    (row,) = csv.DictReader(io.StringIO(as_csv(jobs)))
    assert tuple(row) == COLUMNS
    assert (row["name"], row["customer"], row["address"]) == ("'=1+1", "'@x", "a\nb")
    assert row["due"] == as_rows(jobs)[0]["due"]


@pytest.mark.parametrize(
    ("zone", "day"),
    [("UTC", date(2026, 1, 3)), ("Pacific/Auckland", date(2026, 1, 3)), ("America/Denver", date(2026, 1, 2))],
)
def test_a_calendar_has_each_job_on_its_day_at_the_site(zone: str, day: date) -> None:
    nasty = "1 Weir Street; \\ \r\nBEGIN:VALARM, \u20ac" + "\u00e9" * 60
    one = view("a", finding(Fault.AIR_CUSHION_LOST), timezone=zone, address=nasty, name="Mill")
    assert TIMINGS[Fault.AIR_CUSHION_LOST].respond_within == 2 * DAY
    feed = as_calendar(work_list([one, view("sound")], T0), T0)
    # RFC 5545, 3.1: lines end with CRLF and hold at most 75 octets.
    assert all(len(line) <= 75 for line in feed.split(b"\r\n"))
    assert b"\nBEGIN:VALARM" not in feed
    (entry,) = Calendar.from_ical(feed).walk("VEVENT")
    assert (entry["dtstart"].dt, entry["dtend"].dt - entry["dtstart"].dt) == (
        day,
        date(2026, 1, 2) - date(2026, 1, 1),
    )
    assert entry["summary"] == "Mill: Gauge the tank"
    assert entry["uid"] == "a.gauge@cushionwatch"
    assert entry["location"].replace("\r", "") == nasty.replace("\r", "")


def test_what_is_overdue_stands_on_today() -> None:
    feed = as_calendar(work_list([view("a", finding(Fault.AIR_CHARGE_LOW, T0 - 90 * DAY))], T0), T0)
    (entry,) = Calendar.from_ical(feed).walk("VEVENT")
    assert (entry["dtstart"].dt, entry["summary"]) == (
        date(2026, 1, 1),
        "Overdue: a: Refill the tank with air",
    )


class Bench:
    """A board of two sites; what the routes need of one."""

    def sites(self) -> list[SiteView]:
        return [
            view("a", finding(Fault.WATER_LOSS), customer="Ann"),
            view("b", finding(Fault.BLIND), customer="Bo"),
        ]


class Still:
    def now(self) -> float:
        return T0


def get(path: str) -> httpx.Response:
    async def once() -> httpx.Response:
        transport = httpx.ASGITransport(create_app(Bench(), Still()))  # type: ignore[arg-type]
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8080") as client:
            return await client.get(path)

    return asyncio.run(once())


def test_the_service_serves_the_list_in_three_forms() -> None:
    assert [job["site"] for job in get("/api/worklist").json()] == ["a", "b"]
    assert [job["site"] for job in get("/api/worklist?customer=Bo").json()] == ["b"]
    table = get("/worklist.csv?customer=Ann")
    assert table.headers["content-type"] == "text/csv; charset=utf-8"
    assert len(table.text.splitlines()) == 2
    feed = get("/visits.ics")
    assert feed.headers["content-type"] == "text/calendar; charset=utf-8"
    assert len(Calendar.from_ical(feed.content).walk("VEVENT")) == 2
