"""A report in words, in the unit and the time zone of its site."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.report import Report, Verdict
from monitor.diagnosis.words import sureness
from monitor.site import Site
from monitor.web import words

_WIDTH = 88


def prose(site: Site, report: Report) -> str:
    """Return the report as lines of text."""
    return "\n".join(_lines(site, report))


def _lines(site: Site, report: Report) -> Iterator[str]:
    zone, unit = site.timezone, site.unit
    yield f"{site.name or site.id} ({site.id})"
    if report.start is not None and report.end is not None:
        span = f"{words.moment(report.start, zone)} to {words.moment(report.end, zone)}"
        yield f"  Readings     {report.samples} rows, {span}"
    # The words of a fault follow below, with what to do.
    why = "See below." if report.verdict is Verdict.FAULT else report.verdict_why
    yield from _fact("Verdict", f"{report.verdict.value}. {why}".strip())
    yield from _fact("Air charge", _charge(report, unit))
    if report.worst_case_peak_kpa is not None:
        peak = words.pressure(report.worst_case_peak_kpa, unit)
        yield from _fact("Worst peak", f"{peak} in a full recovery without a draw")
    if report.windows and report.forecast is not None and report.end is not None:
        limit = words.pressure(report.forecast.limit_kpa, unit)
        when = words.date(report.forecast.limit_date, zone)
        yield from _fact(
            "Forecast", f"{limit} on {when}; {words.days_left(report.forecast, report.end)} left"
        )
    for blind in report.blind:
        span = f"{words.moment(blind.start, zone)} to {words.moment(blind.end, zone)}"
        yield from _fact("Blind", f"{span}: {blind.why}")
    for finding in report.findings:
        yield ""
        yield from _finding(site, finding)
    if not report.findings:
        yield ""
        yield "No finding. That is no proof beyond what was measured."


def _charge(report: Report, unit: str) -> str:
    """Return the air charge; without a heating window it would be what the site file says, not a measurement."""
    if not report.windows or not report.air_charge:
        return "not weighed yet"
    count = "1 heating window" if report.windows == 1 else f"{report.windows} heating windows"
    return f"{words.charge(report.air_charge[-1], unit)}, 90 % interval, from {count}"


def _finding(site: Site, finding: Finding) -> Iterator[str]:
    zone = site.timezone
    end = "it stands" if finding.ended is None else f"over {words.moment(finding.ended, zone)}"
    about = rationale_of(finding)
    priority = "urgent" if about.urgent else f"{finding.severity.value} priority"
    yield f"{words.fault(finding.fault)} ({priority}, {sureness(finding.confidence)})"
    yield from _fact(
        "When",
        f"began about {words.date(finding.began, zone)}, raised {words.moment(finding.raised, zone)}, {end}",
    )
    yield from _fact("Seen", finding.why)
    yield from _fact("Respond", about.respond)
    yield from _fact("Do first", finding.action)
    if about.urgent:
        yield from _fact("Caution", about.cautions[0])
    yield from _fact("Caution", finding.caution)


def _fact(name: str, text: str) -> list[str]:
    if not text:
        return []
    return textwrap.wrap(
        text, _WIDTH, initial_indent=f"  {name:<11}  ", subsequent_indent=" " * 15, break_long_words=False
    )
