"""What the service tells other programs on retained topics: its own state, and the verdict of each site.

kPa gauge, UTC in RFC 3339. Pure; `monitor.service.teller` decides when it is told.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.diagnosis.report import Report, Verdict
from monitor.service.ports import Event, ServiceHealth, SiteView
from monitor.service.urgency import last_heard, silent
from monitor.web.machine import number, rfc3339


def verdict(view: SiteView, now: float, failure: str = "") -> dict[str, Any]:
    """Return what is said of a site.

    A site that is not heard, and one whose analysis has stopped (``failure`` says why), is blind whatever was
    seen before; a fault stands until it is seen to be over.
    """
    report = view.report
    word, why = report.verdict, report.verdict_why
    if word is not Verdict.FAULT and failure:
        word, why = Verdict.BLIND, failure
    elif word is not Verdict.FAULT and silent(view, now):
        heard = rfc3339(last_heard(view))
        word, why = Verdict.BLIND, f"No reading since {heard}." if heard else "No reading yet."
    return {
        "site": view.site.id,
        "verdict": word.value,
        "why": why,
        "last_window": rfc3339(report.last_window),
        "air_charge": _charge(report),
        "worst_case_peak_kpa": number(report.worst_case_peak_kpa),
        "forecast": _forecast(report),
        "events": [_event(one) for one in view.events if one.finding.ended is None],
    }


def state(health: ServiceHealth, version: str, warnings: Sequence[str]) -> dict[str, Any]:
    """Return what the service says of itself."""
    return {
        "version": version,
        "started": rfc3339(health.started),
        "ready": not health.problems,
        "problems": list(health.problems),
        "warnings": list(warnings),
        "stored": health.stored,
        "rejected": health.rejected,
    }


def write(said: Mapping[str, Any], now: float, until: float) -> bytes:
    """Return what is said as JSON, with its time and the time after which a reader must not believe it."""
    stamped = {**said, "time": rfc3339(now), "expires": rfc3339(until)}
    return json.dumps(stamped, allow_nan=False, ensure_ascii=False).encode()


def _charge(report: Report) -> dict[str, Any] | None:
    if not report.air_charge:
        return None
    last = report.air_charge[-1]
    return {
        "time": rfc3339(last.time),
        "kpa": number(last.kpa),
        "low_kpa": number(last.low_kpa),
        "high_kpa": number(last.high_kpa),
    }


def _forecast(report: Report) -> dict[str, Any] | None:
    found = report.forecast
    if found is None:
        return None
    return {
        "limit_kpa": number(found.limit_kpa),
        "date": rfc3339(found.limit_date),
        "low": rfc3339(found.low),
        "high": rfc3339(found.high),
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "number": event.number,
        "fault": event.finding.fault.value,
        "severity": event.finding.severity.value,
        "state": event.state.value,
        "began": rfc3339(event.finding.began),
        "raised": rfc3339(event.finding.raised),
    }
