"""What the demo says while it runs: calm lines, one for each week, one story for each site."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Final

from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import Report, Verdict
from monitor.service.ports import SiteView
from monitor.site import Site
from monitor.web import words

WIDTH: Final = 88
HOUR: Final = 3600.0
DAY: Final = 86400.0
EVERY: Final = 7
"""Days between two lines."""


def opening(
    stories: Mapping[str, str], sites: Mapping[str, Site], days: int, seconds: float, url: str
) -> str:
    """Return what is said before the first reading."""
    longest = max(len(site.name) for site in sites.values())
    rows = [f"  {sites[key].name:<{longest}}  {story}" for key, story in stories.items()]
    what = (
        f"Three invented sites send line pressure, heater state and temperature over MQTT: {days} days of "
        f"readings in about {seconds:.0f} seconds. This service sees nothing else. It has to find out by itself:"
    )
    return "\n".join(
        [
            "cushionwatch demo",
            "",
            *textwrap.wrap(what, WIDTH),
            "",
            *rows,
            "",
            f"  Page    {url}",
            "  Stop    Ctrl-C",
            "",
        ]
    )


def week(day: int, stories: Mapping[str, str], views: Sequence[SiteView]) -> str:
    """Return where all sites stand on a day, in the order of their stories."""
    by_id = {view.site.id: view for view in views}
    rows = [(by_id[key].site.name, *_state(by_id[key])) for key in stories]
    widths = [max(len(row[column]) for row in rows) for column in (0, 1)]
    lines = [f"{name:<{widths[0]}}  {charge:>{widths[1]}}  {state}" for name, charge, state in rows]
    return "\n".join(f"{f'Day {day}' if n == 0 else '':<8}{line}" for n, line in enumerate(lines))


def closing(stories: Mapping[str, str], views: Sequence[SiteView], started: float, url: str) -> str:
    """Return what was found, beside what was hidden in the readings."""
    lines = ["", "The story is over. What was hidden in the readings, and what was found:", ""]
    for view in views:
        lines.append(f"  {view.site.name}")
        lines.append(f"    hidden  {stories[view.site.id]}")
        lines += [f"    found   {line}" for line in _found(view.report, started)]
    lines += ["", f"The page stays at {url} until Ctrl-C.", ""]
    return "\n".join(lines)


def _state(view: SiteView) -> tuple[str, str]:
    report = view.report
    weighed = report.windows and report.air_charge
    charge = words.pressure(report.air_charge[-1].kpa, view.site.unit) if weighed else "-"
    standing = [one for one in report.findings if one.ended is None]
    return charge, words.fault(standing[-1].fault).upper() if standing else report.verdict.value


def _found(report: Report, started: float) -> list[str]:
    if report.findings:
        return [_course(finding, report.findings, started) for finding in report.findings]
    return ["Nothing." if report.verdict is Verdict.HOLDING else f"Nothing ({report.verdict.value})."]


def _course(finding: Finding, others: Sequence[Finding], started: float) -> str:
    """Return what became of a finding: it is not over where another took its place."""
    text = f"{words.fault(finding.fault)}, raised on day {_day(finding.raised, started)}"
    since = finding.evidence.get("relief_discharging_since")
    if isinstance(since, int | float) and finding.fault is not Fault.RELIEF_DISCHARGING:
        text += f", relief valve discharging since day {_day(since, started)}"
    if finding.ended is None:
        return text
    heirs = [one for one in others if one.raised == finding.ended and one is not finding]
    turn = f"became {words.fault(heirs[0].fault).lower()}" if heirs else "over"
    return f"{text}, {turn} on day {_day(finding.ended, started)}"


def _day(time: float, started: float) -> int:
    return int((time - started) // DAY)
