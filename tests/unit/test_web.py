"""The page and its JSON on an invented board: words, order, safety headers, and what an error looks like."""

from __future__ import annotations

import asyncio
import json
import re
import time
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from monitor.alerting.texts import raised_alert
from monitor.cli.files import write_report
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Forecast, Report, Verdict
from monitor.errors import InputError, StoreError
from monitor.estimation.samples import FloatArray, empty
from monitor.readings import Point, Reading
from monitor.service.ports import Event, EventChange, EventState, ServiceHealth, SiteView, SourceHealth
from monitor.service.urgency import urgency
from monitor.site import Heater, Site, Visit, VisitAction
from monitor.web.serve import PageServer, listen
from monitor.web.server import create_app
from monitor.web.views import card, left, peak

NOW = 1772546400.0  # 2026-03-03T14:00:00Z
DAY = 86400.0


def finding(
    fault: Fault, severity: Severity, *, raised: float = NOW - 3 * DAY, ended: float | None = None
) -> Finding:
    return Finding(
        fault,
        raised - 9 * DAY,
        raised,
        severity,
        0.999,
        "seen <b>so</b>",
        "do this",
        "mind that",
        {"x": 1.5},
        ended,
    )


def view(
    site_id: str,
    verdict: Verdict = Verdict.HOLDING,
    *,
    findings: tuple[Finding, ...] = (),
    charge: bool = True,
    forecast: Forecast | None = None,
    heard: float | None = NOW - 30,
    unit: str = "psi",
    why: str = "why so",
) -> SiteView:
    estimates = tuple(ChargeEstimate(NOW - (60 - n) * DAY, 414 - n, 400 - n, 428 - n) for n in range(60))
    report = Report(
        site_id, NOW - 60 * DAY, heard, 1000, verdict, why, estimates if charge else (), 820.0, 414.0,
        findings, (), forecast, NOW - 3 * 3600, 40,
    )  # fmt: skip
    site = Site(
        site_id, f"House {site_id}", 120.0, "Europe/London", unit, Heater(), 0.008, 414e3, 414e3, 1034e3
    )
    latest = {} if heard is None else {Point.PRESSURE: Reading(site_id, Point.PRESSURE, heard, 440.0)}
    events = [Event(n + 1, site_id, one, EventState.ACTIVE_UNACKNOWLEDGED) for n, one in enumerate(findings)]
    return SiteView(site, report, latest, events, [Visit(NOW - 30 * DAY, VisitAction.GAUGED, 414e3)])


class FakeBoard:
    def __init__(self) -> None:
        low = finding(Fault.AIR_CHARGE_LOW, Severity.MEDIUM)
        over = finding(Fault.BLIND, Severity.LOW, raised=NOW - 50 * DAY, ended=NOW - 49 * DAY)
        forecast = Forecast(NOW + 11.5 * DAY, NOW + 7.5 * DAY, NOW + 19.2 * DAY, 300.0)
        self.views = [
            view("low", Verdict.FAULT, findings=(low, over), forecast=forecast),
            view("quiet", heard=NOW - 17 * 3600),
            view("new", Verdict.LEARNING, charge=False, heard=None),
            view("well", unit="bar"),
        ]
        self.problems: list[str] = []
        self.acknowledged: list[tuple[int, str]] = []
        self.broken = False
        self.trails: dict[int, list[EventChange]] = {}

    def sites(self) -> list[SiteView]:
        if self.broken:
            raise StoreError("cannot read store.db: the disk reports an error")
        return sorted(self.views, key=lambda one: urgency(one, NOW))

    def site(self, site_id: str) -> SiteView | None:
        return next((one for one in self.views if one.site.id == site_id), None)

    def pressure(self, site_id: str, start: float, end: float, limit: int) -> tuple[FloatArray, FloatArray]:
        if self.site(site_id).latest == {}:  # type: ignore[union-attr]
            return np.empty(0), np.empty(0)
        time = np.linspace(max(start, NOW - 60 * DAY), NOW, 500)
        return time, 430 + 20 * np.sin(time / 7000)

    def acknowledge(self, number: int, who: str) -> Event | None:
        self.acknowledged.append((number, who))
        return next((one for view in self.views for one in view.events if one.number == number), None)

    def changes(self, number: int) -> list[EventChange]:
        return self.trails.get(number, [])

    def health(self) -> ServiceHealth:
        return ServiceHealth(NOW, SourceHealth(True, True, NOW, ""), 1, 0, tuple(self.problems))


class Clock:
    def now(self) -> float:
        return NOW


@pytest.fixture
def board() -> FakeBoard:
    return FakeBoard()


class Page:
    """Asks the application as a browser on this machine would."""

    def __init__(self, board: FakeBoard) -> None:
        self._transport = httpx.ASGITransport(create_app(board, Clock()))

    def ask(self, method: str, path: str, **what: Any) -> httpx.Response:
        async def once() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=self._transport, base_url="http://127.0.0.1:8080"
            ) as client:
                return await client.request(method, path, **what)

        return asyncio.run(once())

    def get(self, path: str, **what: Any) -> httpx.Response:
        return self.ask("GET", path, **what)

    def post(self, path: str, **what: Any) -> httpx.Response:
        return self.ask("POST", path, **what)


@pytest.fixture
def client(board: FakeBoard) -> Page:
    return Page(board)


def text_of(html: str) -> str:
    parts: list[str] = []
    parser = HTMLParser()
    parser.handle_data = parts.append  # type: ignore[method-assign]
    parser.feed(html)
    return " ".join(" ".join(parts).split())


def test_sites_come_most_urgent_first_in_words(client: Page) -> None:
    html = client.get("/").text
    assert re.findall(r'href="/sites/(\w+)"', html) == ["low", "new", "quiet", "well"]
    words = text_of(html)
    assert "4 sites: 1 with a fault, 2 cannot be judged now, 1 holding." in words
    assert "Expansion tank is low on air" in words
    assert "Respond: within two weeks, before the forecast date if there is one" in words
    assert "Do first: do this." in words
    assert "about 11 days (7 to 20) until the air charge falls below 43.5 psi" in words
    assert "No reading for 17 h. Before that: why so" in words
    assert "No reading yet." in words
    assert "51.5 psi" in words
    assert "3.55 bar" in words


def discharging(site_id: str, *, supply: float | None = 414.0) -> SiteView:
    """Return a site whose cushion is lost and whose relief valve discharges, as the analyser tells it."""
    lost = replace(
        finding(Fault.AIR_CUSHION_LOST, Severity.HIGH),
        why="The line is stiff. The relief valve has been letting water out.",
        action="Test on site: press the pin. Water there means a torn diaphragm.",
        evidence={"relief_discharging_since": NOW - DAY, "supply_kpa": supply},
    )
    return view(site_id, Verdict.FAULT, findings=(lost,), why=lost.why)


def test_the_overview_tells_a_discharging_relief_valve_how_urgent_it_is_and_what_to_do(
    client: Page, board: FakeBoard
) -> None:
    board.views = [discharging("wet")]
    html = client.get("/").text
    words = text_of(html)
    for wanted in (
        "Expansion tank has lost its air cushion, relief valve discharges",
        "Urgent: today",
        "The line is stiff. The relief valve has been letting water out.",
        "Do first: Test on site: press the pin.",
    ):
        assert wanted in words
    assert "torn diaphragm" not in words
    assert "line-clamp" not in client.get("/static/style.css").text


def test_what_stands_beside_the_first_finding_is_told_too(client: Page, board: FakeBoard) -> None:
    low = finding(Fault.AIR_CHARGE_LOW, Severity.HIGH, raised=NOW - 5 * DAY)
    open_valve = finding(Fault.RELIEF_DISCHARGING, Severity.HIGH)
    board.views = [view("two", Verdict.FAULT, findings=(low, open_valve))]
    words = text_of(client.get("/").text)
    assert words.index("Relief valve is discharging") < words.index("Also: Expansion tank is low on air")


def alert_lines(one: SiteView) -> dict[str, list[str]]:
    """Return what the alert of a site's only finding says, by the word before the colon."""
    body = raised_alert(one.report.findings[0], one.site, one.report, NOW).body
    said: dict[str, list[str]] = {}
    for line in filter(None, body.splitlines()):
        name, _, text = line.partition(": ")
        said.setdefault(name, []).append(text)
    said["Mind"] = [body.splitlines()[0]]
    return said


def test_the_page_says_of_an_urgent_event_what_its_alert_says(client: Page, board: FakeBoard) -> None:
    board.views = [wet] = [discharging("wet")]
    words = text_of(client.get("/sites/wet").text)
    said = alert_lines(wet)
    assert said["Mind"][0].startswith("Never plug, cap or shut off a relief valve")
    assert any(text.startswith("Steam, or water that keeps coming") for text in said["Caution"])
    for name in ("Mind", "How sure", "If nothing is done", "Do first", "Caution"):
        for text in said[name]:
            assert text.lower() in words.lower()
    assert f"Urgent: {said['Respond'][0].rstrip('.')}" in words
    assert "Pump setting 60.0 psi, the supply pressure; gauge that first; set it with the water side" in words


@pytest.mark.parametrize(
    ("noted", "seen", "told"),
    [
        (414.0, 414.0, "60.0 psi, the supply pressure; gauge that first; set it with the water side relieved."),
        (414.0, 500.0, "the sensor saw 72.5 psi at rest: the gauge on site decides."),
        (None, 500.0, "72.5 psi, the supply pressure;"),
        (None, None, "The supply pressure at the tank, not known here: gauge it on site;"),
    ],
)  # fmt: skip
def test_the_pump_setting_is_the_supply_pressure_as_far_as_it_is_known(
    noted: float | None, seen: float | None, told: str
) -> None:
    wet = discharging("wet", supply=seen)
    site = replace(wet.site, supply=None if noted is None else noted * 1000)
    assert told in card(wet.report.findings[0], site).pump


def test_what_is_seen_is_told_once_on_the_page_of_a_site(client: Page, board: FakeBoard) -> None:
    low = replace(finding(Fault.AIR_CHARGE_LOW, Severity.MEDIUM), why="Each rise is larger.")
    told = "Air charge now about 43 psi. Each rise is larger."
    board.views = [view("low", Verdict.FAULT, findings=(low,), why=told)]
    words = text_of(client.get("/sites/low").text)
    assert words.count("Each rise is larger.") == 1
    assert words.count("Air charge now about 43 psi.") == 1
    assert told in text_of(client.get("/").text)
    assert client.get("/api/sites").json()[0]["why"] == told


def test_the_report_as_a_file_says_what_the_alert_says(tmp_path: Path) -> None:
    wet = discharging("wet")
    write_report(tmp_path / "report.html", wet.site, wet.report, empty(), [])
    words = text_of((tmp_path / "report.html").read_text(encoding="utf-8"))
    said = alert_lines(wet)
    for name in ("Mind", "If nothing is done", "Caution"):
        for text in said[name]:
            assert text in words
    assert "Urgent: today" in words
    assert "Pump setting 60.0 psi, the supply pressure" in words
    assert words.count(wet.report.findings[0].why) == 1


def test_an_event_that_is_over_tells_what_remains_and_no_urgency(client: Page, board: FakeBoard) -> None:
    wet = discharging("wet")
    over = replace(wet.report.findings[0], ended=NOW - 3600)
    board.views = [view("wet", findings=(over,))]
    words = text_of(client.get("/sites/wet").text)
    assert "What remains If the tank was pumped up, watch it for seven days" in words
    for gone in ("Urgent", "If nothing is done", "Do first", "Pump setting"):
        assert gone not in words


def test_before_the_first_window_no_page_shows_a_guess_as_an_estimate(
    client: Page, board: FakeBoard, tmp_path: Path
) -> None:
    new = view("fresh", Verdict.LEARNING, forecast=Forecast(NOW + 9 * DAY, NOW, None, 300.0))
    board.views = [new] = [replace(new, report=replace(new.report, windows=0))]
    write_report(tmp_path / "report.html", new.site, new.report, empty(), [])
    for html in (
        client.get("/").text,
        client.get("/sites/fresh").text,
        (tmp_path / "report.html").read_text(encoding="utf-8"),
    ):
        words = text_of(html)
        assert "not weighed yet" in words
        assert "Time left not known" in words
        for guess in ("51.5 psi", "49.5 to 53.5", "43.5 psi", "52.8 psi"):
            assert guess not in words
        assert 'class="strip"' not in html
        assert 'class="band"' not in html
    assert client.get("/api/sites").json()[0]["windows"] == 0


def test_a_lost_cushion_reads_as_a_gauge_would_show_it(client: Page, board: FakeBoard) -> None:
    lost = finding(Fault.AIR_CUSHION_LOST, Severity.HIGH)
    one = view("lost", Verdict.FAULT, findings=(lost,))
    none_left = (ChargeEstimate(NOW - DAY, -14.0, -20.0, -9.0), ChargeEstimate(NOW, -11.0, -15.0, 0.2))
    board.views = [replace(one, report=replace(one.report, air_charge=none_left))]
    for path in ("/", "/sites/lost"):
        words = text_of(client.get(path).text)
        assert "0 psi a gauge would read nothing" in words
        assert "none: the air cushion is lost" in words
        assert "0.0 to 0.0" not in words
        assert not re.search(r"-\d", words.partition("Line pressure")[0])


@pytest.mark.parametrize(
    ("fault", "forecast", "told"),
    [
        (None, None, "no date in sight"),
        (Fault.AIR_CHARGE_LOW, None, "none: the air charge is below its limit"),
        (None, Forecast(NOW - DAY, NOW - 2 * DAY, NOW, 300.0), "none: the air charge is below its limit of 43.5 psi"),
        (
            None,
            Forecast(NOW + 1.5 * DAY, NOW + 0.5 * DAY, None, 300.0),
            "about 1 day (0 to no date) until the air charge falls below 43.5 psi",
        ),
    ],
)  # fmt: skip
def test_the_time_left_tells_of_which_pressure_it_speaks(
    fault: Fault | None, forecast: Forecast | None, told: str
) -> None:
    findings = (finding(fault, Severity.MEDIUM),) if fault else ()
    one = view("any", findings=findings, forecast=forecast)
    assert left(one.site, one.report, NOW) == told


@pytest.mark.parametrize(
    ("kpa", "told"),
    [
        (820.0, "118.9 psi; relief valve opens at 150.0 psi"),
        (1034.0, "would open the relief valve, set to 150.0 psi"),
        (None, "not known"),
    ],
)
def test_a_full_heat_up_is_told_beside_the_relief_setting(kpa: float | None, told: str) -> None:
    one = view("any")
    assert peak(one.site, replace(one.report, worst_case_peak_kpa=kpa)) == told


def test_a_silent_site_is_never_shown_as_holding(client: Page) -> None:
    part = client.get("/sites/quiet").text
    assert 'class="head is-silent"' in part
    assert "Holding" not in text_of(part)
    assert "Time left not known" in text_of(part)


def test_a_doubtful_site_is_counted_and_shown_as_what_it_is(client: Page, board: FakeBoard) -> None:
    board.views.append(view("odd", Verdict.DOUBTFUL))
    html = client.get("/").text
    words = text_of(html)
    assert "5 sites: 1 with a fault, 2 cannot be judged now, 1 doubtful, 1 holding." in words
    assert html.index('class="site is-doubtful"') < html.index('class="site is-holding"')
    assert '<use href="#shape-doubtful"/>' in html
    odd = next(one for one in client.get("/api/sites").json() if one["site"] == "odd")
    assert (odd["verdict"], odd["why"]) == ("doubtful", "why so")


@pytest.mark.parametrize("verdict", Verdict)
def test_every_state_has_a_shape_and_a_heading(client: Page, board: FakeBoard, verdict: Verdict) -> None:
    board.views = [view("only", verdict)]
    html = client.get("/").text
    assert f'<symbol id="shape-{verdict.value}"' in html
    assert f'<use href="#shape-{verdict.value}"/>' in html
    assert re.search(r"<h1>1 site: [a-z ]+\.</h1>", html)


@pytest.mark.parametrize(("site", "heading"), [("low", "Open events"), ("well", "No open event")])
def test_a_site_tells_whether_an_event_is_open(client: Page, site: str, heading: str) -> None:
    assert heading in text_of(client.get(f"/sites/{site}").text)


def test_a_site_shows_event_charts_table_readings_and_settings(client: Page) -> None:
    html = client.get("/sites/low?span=all").text
    words = text_of(html)
    for wanted in (
        "seen <b>so</b>", "do this", "mind that", "Practically certain (99 %).", "Nobody has taken it yet.",
        "Earlier events (1)", "Air charge 51.5 psi (49.5 to 53.5), no certain change in the last 7 days.",
        "Line pressure went from", "Relief valve setting", "150.0 psi", "not known", "118.9 psi; relief valve opens at",
    ):  # fmt: skip
        assert wanted in words
    assert html.count('<svg class="chart"') == 4
    assert "seen &lt;b&gt;so&lt;/b&gt;" in html


@pytest.mark.parametrize(
    "path", ["/", "/sites/low", "/sites/quiet", "/sites/new", "/sites/well", "/parts/overview"]
)
def test_pages_fit_the_content_policy_and_load_nothing_from_elsewhere(client: Page, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"].startswith("default-src 'self'; ")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert not re.search(r"\sstyle=|\son\w+=|<style|<script(?! type=\"module\" src=\"/static/)", answer.text)
    assert not re.search(r"(?:src|href|action)=\"(?!/|#)", answer.text)
    for asset in re.findall(r"(?:src|href)=\"(/static/[^\"#]+)", answer.text):
        assert client.get(asset).status_code == 200


def test_a_part_is_sent_again_only_when_it_changed(client: Page, board: FakeBoard) -> None:
    first = client.get("/parts/overview")
    again = client.get("/parts/overview", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    board.problems.append("the disk is full")
    changed = client.get("/parts/overview", headers={"If-None-Match": first.headers["etag"]})
    assert changed.status_code == 200
    assert "the disk is full" in changed.text


def test_sites_for_programs_are_kpa_and_utc(client: Page) -> None:
    found = json.loads(client.get("/api/sites").text, parse_constant=pytest.fail)
    low = found[0]
    assert low["site"] == "low"
    assert low["air_charge"] == {
        "time": "2026-03-02T14:00:00Z",
        "kpa": 355.0,
        "low_kpa": 341.0,
        "high_kpa": 369.0,
    }
    assert low["latest"] == {"pressure": {"time": "2026-03-03T13:59:30Z", "value": 440.0}}
    assert [one["fault"] for one in low["findings"]] == ["air_charge_low"]
    assert low["forecast"]["limit_date"] == "2026-03-15T02:00:00Z"
    assert [one["verdict"] for one in found] == ["fault", "blind", "blind", "holding"]


def test_liveness_and_readiness(client: Page, board: FakeBoard) -> None:
    assert client.get("/livez").text == "ok\n"
    assert client.get("/readyz").json() == {"ready": True, "problems": [], "warnings": []}
    board.problems.append("no connection to the broker")
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()["problems"]) == (503, ["no connection to the broker"])
    assert client.get("/livez").status_code == 200


def test_an_event_is_taken_by_a_named_person(client: Page, board: FakeBoard) -> None:
    answer = client.post("/events/1/acknowledge", content="who=+Ada%0D%0A++B.+")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sites/low")
    assert board.acknowledged == [(1, "Ada B.")]


WAITING, TAKEN = EventState.ACTIVE_UNACKNOWLEDGED, EventState.ACTIVE_ACKNOWLEDGED
RAISED = EventChange(NOW - 3 * DAY, None, WAITING, "service", "raised")
ACKNOWLEDGED = EventChange(NOW - DAY, WAITING, TAKEN, "Ada <B>", "acknowledged")


@pytest.mark.parametrize(
    ("state", "trail", "told"),
    [
        (WAITING, [RAISED], "Nobody has taken it yet."),
        (TAKEN, [RAISED, ACKNOWLEDGED], "Taken by Ada <B>, 2 Mar 2026, 14:00 GMT."),
        (
            TAKEN,
            [RAISED, ACKNOWLEDGED, EventChange(NOW, TAKEN, TAKEN, "service", "amended with new facts")],
            "Taken by Ada <B>, 2 Mar 2026, 14:00 GMT.",
        ),
        (TAKEN, [], "Somebody has taken it."),
    ],
)
def test_a_taken_event_tells_who_took_it_and_when(
    client: Page, board: FakeBoard, state: EventState, trail: list[EventChange], told: str
) -> None:
    low = board.views[0]
    board.views[0] = replace(low, events=[replace(low.events[0], state=state)])
    board.trails[1] = trail
    html = client.get("/sites/low").text
    assert told in text_of(html)
    assert ("I take this event" in html) is (state is WAITING)


@pytest.mark.parametrize(
    ("path", "body", "headers", "status"),
    [
        ("/events/1/acknowledge", "who=", {}, 422),
        ("/events/99/acknowledge", "who=Ada", {}, 404),
        ("/events/x/acknowledge", "who=Ada", {}, 422),
        ("/events/1/acknowledge", "who=" + "a" * 5000, {}, 413),
        ("/events/1/acknowledge", "who=Ada", {"Origin": "http://elsewhere.example"}, 403),
        ("/events/1/acknowledge", "who=Ada", {"Origin": "null"}, 403),
    ],
)
def test_a_wrong_acknowledgement_is_refused_in_words(
    client: Page, board: FakeBoard, path: str, body: str, headers: dict[str, str], status: int
) -> None:
    answer = client.post(path, content=body, headers=headers)
    assert answer.status_code == status
    assert "Traceback" not in answer.text
    assert board.acknowledged in ([], [(99, "Ada")])


def test_looking_never_acknowledges(client: Page, board: FakeBoard) -> None:
    assert client.get("/events/1/acknowledge").status_code == 405
    assert board.acknowledged == []


@pytest.mark.parametrize("path", ["/sites/nowhere", "/nothing", "/docs", "/redoc", "/openapi.json"])
def test_what_is_not_there_gets_a_page_that_says_so(client: Page, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "All sites" in answer.text


def test_a_store_that_fails_is_told_and_not_hidden(client: Page, board: FakeBoard) -> None:
    board.broken = True
    answer = client.get("/")
    assert (answer.status_code, "the disk reports an error" in answer.text) == (503, True)
    assert client.get("/api/sites").json() == {"error": "cannot read store.db: the disk reports an error"}


def test_a_rebound_name_gets_nothing(client: Page) -> None:
    assert client.get("/api/sites", headers={"Host": "attacker.example:8080"}).status_code == 400


def test_a_busy_port_is_told_or_the_next_one_taken() -> None:
    with listen("127.0.0.1", 0, search=False) as taken:
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(InputError, match=rf"127\.0\.0\.1 port {port}: another program does"):
            listen("127.0.0.1", port, search=False)
        with listen("127.0.0.1", port, search=True) as found:
            assert found.getsockname()[1] > port


def test_an_address_of_another_machine_is_told() -> None:
    with pytest.raises(InputError, match=r"cannot listen on 192\.0\.2\.1 port 80"):
        listen("192.0.2.1", 80, search=True)


def test_the_page_is_served_beside_other_work_and_stops_at_once(board: FakeBoard) -> None:
    server = PageServer(create_app(board, Clock()), listen("127.0.0.1", 0, search=False))
    server.start()
    with httpx.Client(base_url=server.url) as client:  # keeps its connection open, as a browser does
        deadline = time.monotonic() + 10
        while True:
            try:
                assert client.get("/livez").text == "ok\n"
                break
            except httpx.TransportError:
                assert time.monotonic() < deadline
                time.sleep(0.005)
        assert "server" not in client.get("/").headers
        began = time.monotonic()
        server.stop()
    assert time.monotonic() - began < 2
    assert not server.alive
