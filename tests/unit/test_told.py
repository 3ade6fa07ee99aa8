"""What other programs are told on retained topics, when it is told again, and when it is not any more."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Forecast, Report, Verdict
from monitor.errors import StoreError
from monitor.readings import Point, Reading
from monitor.service.ports import Event, EventState, ServiceHealth, SiteView, SourceHealth
from monitor.service.teller import HOLDS, RENEW, Teller
from monitor.site import Site
from monitor.web import told

NOW = 1_770_000_000.0
LOW = Finding(Fault.AIR_CHARGE_LOW, NOW - 9e5, NOW - 8e5, Severity.MEDIUM, 0.97, "why", "act", "care", {})
OVER = Finding(Fault.BLIND, NOW - 9e6, NOW - 8e6, Severity.LOW, 0.9, "why", "act", "care", {}, NOW - 7e6)


def view(
    verdict: Verdict = Verdict.HOLDING, *, heard: float | None = NOW - 30, findings: tuple[Finding, ...] = ()
) -> SiteView:
    charge = (ChargeEstimate(NOW - 7200, 412.34567, 400.0, float("inf")),)
    forecast = Forecast(NOW + 864000, NOW + 432000, None, 300.0)
    report = Report(
        "a", NOW - 9e6, heard, 9, verdict, "well seen", charge, 820.0, 414.0, findings, (), forecast, NOW - 3600, 40
    )  # fmt: skip
    latest = {} if heard is None else {Point.PRESSURE: Reading("a", Point.PRESSURE, heard, 440.0)}
    events = [Event(n + 1, "a", one, EventState.ACTIVE_UNACKNOWLEDGED) for n, one in enumerate(findings)]
    return SiteView(Site("a"), report, latest, events)


def test_a_verdict_tells_charge_with_interval_peak_forecast_and_what_stands() -> None:
    said = told.verdict(view(Verdict.FAULT, findings=(LOW, OVER)), NOW)
    assert said == {
        "site": "a",
        "verdict": "fault",
        "why": "well seen",
        "last_window": "2026-02-02T01:40:00Z",
        "air_charge": {"time": "2026-02-02T00:40:00Z", "kpa": 412.346, "low_kpa": 400.0, "high_kpa": None},
        "worst_case_peak_kpa": 820.0,
        "forecast": {
            "limit_kpa": 300.0,
            "date": "2026-02-12T02:40:00Z",
            "low": "2026-02-07T02:40:00Z",
            "high": None,
        },
        "events": [
            {
                "number": 1,
                "fault": "air_charge_low",
                "severity": "medium",
                "state": "active_unacknowledged",
                "began": "2026-01-22T16:40:00Z",
                "raised": "2026-01-23T20:26:40Z",
            }
        ],
    }


@pytest.mark.parametrize(
    ("one", "failure", "word", "why"),
    [
        (view(), "", "holding", "well seen"),
        (view(heard=NOW - 4000), "", "blind", "No reading since 2026-02-02T01:33:20Z."),
        (view(heard=None), "", "blind", "No reading yet."),
        (view(), "the analysis stopped", "blind", "the analysis stopped"),
        (view(Verdict.FAULT, heard=NOW - 4000), "the analysis stopped", "fault", "well seen"),
    ],
)
def test_holding_is_said_only_of_a_site_that_is_heard_and_analysed(
    one: SiteView, failure: str, word: str, why: str
) -> None:
    said = told.verdict(one, NOW, failure)
    assert (said["verdict"], said["why"]) == (word, why)


def test_the_service_says_what_keeps_it_from_its_work() -> None:
    health = ServiceHealth(NOW - 60, SourceHealth(True, False, None, "x"), 5, 2, ("no broker",))
    assert told.state(health, "1.0", ("look at this",)) == {
        "version": "1.0",
        "started": "2026-02-02T02:39:00Z",
        "ready": False,
        "problems": ["no broker"],
        "warnings": ["look at this"],
        "stored": 5,
        "rejected": 2,
    }


def test_what_is_said_has_its_time_and_the_time_until_which_it_holds() -> None:
    said = json.loads(told.write({"why": "5 °C"}, NOW, NOW + 900))
    assert said == {"why": "5 °C", "time": "2026-02-02T02:40:00Z", "expires": "2026-02-02T02:55:00Z"}


class Scene:
    """A teller of one site, with a clock and a site that a test sets."""

    def __init__(self) -> None:
        self.time = NOW
        self.verdict: dict[str, Any] | None = {"verdict": "holding"}
        self.stored = 0
        self.broken = False
        self.said: list[tuple[str, dict[str, Any]]] = []
        self.teller = Teller(
            ["a"], self._verdict, lambda: {"ready": True, "stored": self.stored}, told.write, self._publish, self
        )  # fmt: skip

    def now(self) -> float:
        return self.time

    def _verdict(self, site: str) -> dict[str, Any] | None:
        if self.broken:
            raise StoreError("the disk reports an error")
        return self.verdict

    def _publish(self, name: str, payload: bytes) -> None:
        self.said.append((name, json.loads(payload)))

    def round(self, after: float = 0.0) -> list[str]:
        self.time += after
        self.said.clear()
        self.teller.round()
        return [name for name, _ in self.said]


def test_it_is_said_at_the_start_on_a_change_and_before_it_expires() -> None:
    scene = Scene()
    assert scene.round() == ["verdict/a", "state"]
    assert scene.round(RENEW - 1) == []
    scene.verdict = {"verdict": "blind"}
    assert scene.round() == ["verdict/a"]
    assert scene.round(1.0) == ["state"]
    assert scene.round(RENEW) == ["verdict/a", "state"]
    assert scene.round(-5 * RENEW) == ["verdict/a", "state"]  # a clock that was set back
    assert RENEW + 30 < 300 < HOLDS


def test_counters_are_no_news() -> None:
    scene = Scene()
    scene.round()
    scene.stored += 1
    assert scene.round(5.0) == []


def test_what_cannot_be_read_is_not_renewed_and_does_not_count_any_more() -> None:
    scene = Scene()
    scene.round()
    assert scene.teller.words() == ["holding"]
    scene.broken = True
    assert scene.round(HOLDS - 1) == ["state"]
    assert scene.teller.words() == ["holding"]
    scene.round(2.0)
    assert scene.teller.words() == []


def test_nothing_is_said_of_a_site_whose_past_is_still_being_read() -> None:
    scene = Scene()
    scene.verdict = None
    assert scene.round() == ["state"]
    assert scene.teller.words() == []


def test_a_fault_of_ours_at_one_site_leaves_the_rest_and_is_tried_again(
    caplog: pytest.LogCaptureFixture,
) -> None:
    scene = Scene()
    scene.verdict = {"verdict": float("nan")}  # JSON does not have it
    assert scene.round() == ["state"]
    assert "verdict/a is not renewed: unexpected" in caplog.text
    scene.verdict = {"verdict": "holding"}
    assert scene.round() == ["verdict/a"]
