"""What the demo says at its end: what was found, and what became of it."""

from __future__ import annotations

from monitor.cli import story
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.service.ports import SiteView
from monitor.site import Site

DAY = story.DAY
START = 1767571200.0  # 2026-01-05T00:00:00Z


def finding(fault: Fault, raised: float, ended: float | None = None, **evidence: float) -> Finding:
    end = None if ended is None else START + ended * DAY
    return Finding(
        fault, START, START + raised * DAY, Severity.HIGH, 0.9, "why", "act", "care", evidence, end
    )


def view(*findings: Finding, windows: int = 9) -> SiteView:
    charge = (ChargeEstimate(START, 400.0, 390.0, 410.0),)
    report = Report(
        "a", START, None, 9, Verdict.HOLDING, "", charge, None, None, findings, (), None, None, windows
    )
    return SiteView(Site("a", "Mill Cottage"), report, {}, ())


def found(*findings: Finding) -> list[str]:
    text = story.closing({"a": "hidden thing"}, [view(*findings)], START, "http://x")
    return [line.removeprefix("    found   ") for line in text.splitlines() if line.startswith("    found")]


def test_a_finding_that_gave_way_became_another_and_is_not_over() -> None:
    low, lost = finding(Fault.AIR_CHARGE_LOW, 9, 20.5), finding(Fault.AIR_CUSHION_LOST, 20.5)
    assert found(low, lost) == [
        "Air charge low, raised on day 9, became air cushion lost on day 20",
        "Air cushion lost, raised on day 20",
    ]
    assert (
        found(finding(Fault.AIR_CHARGE_LOW, 9, 20), lost)[0]
        == "Air charge low, raised on day 9, over on day 20"
    )


def test_a_discharging_relief_valve_is_told_with_the_finding_that_explains_it() -> None:
    lost = finding(Fault.AIR_CUSHION_LOST, 20, relief_discharging_since=START + 23 * DAY)
    assert found(lost) == ["Air cushion lost, raised on day 20, relief valve discharging since day 23"]
    alone = finding(Fault.RELIEF_DISCHARGING, 23, relief_discharging_since=START + 23 * DAY)
    assert found(alone) == ["Relief discharging, raised on day 23"]
    assert found() == ["Nothing."]


def test_a_charge_that_nothing_weighed_is_no_number() -> None:
    assert "400 kPa" in story.week(7, {"a": ""}, [view()])
    assert "Mill Cottage  -  holding" in story.week(7, {"a": ""}, [view(windows=0)])
