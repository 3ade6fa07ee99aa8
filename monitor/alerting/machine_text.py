"""The alert that a program gets about a finding: one JSON document, its form in ``event.schema.json`` beside it.

Pressures in kPa gauge, times in UTC as RFC 3339. Fields are only ever added within a version of the form.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from math import isfinite
from typing import Any, Final

from monitor.alerting.wording import clean, stamp
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.report import ChargeEstimate, Forecast, Report
from monitor.diagnosis.timings import respond_within
from monitor.service.ports import Alert
from monitor.site import Site
from monitor.units import KPA

FORM: Final = "cushionwatch.event.1"
"""Name of the form; another number where a reader of this one could be misled."""


def schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of a document."""
    text = files("monitor.alerting").joinpath("event.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def document(finding: Finding, site: Site, report: Report) -> dict[str, Any]:
    """Return what a program is told of a finding, raised or ended; the sender adds ``key``, ``event``, ``link``."""
    about = rationale_of(finding)
    supply = site.supply / KPA if site.supply is not None else report.supply_kpa
    return {
        "form": FORM,
        "act": "raised" if finding.ended is None else "ended",
        "site": {
            "id": site.id,
            "name": clean(site.name) or site.id,
            "customer": clean(site.customer),
            "address": clean(site.address),
            "timezone": site.timezone,
        },
        "fault": finding.fault.value,
        "headline": about.headline,
        "severity": finding.severity.value,
        "urgent": about.urgent,
        "respond_within_s": respond_within(finding),
        "began": stamp(finding.began),
        "raised": stamp(finding.raised),
        "ended": None if finding.ended is None else stamp(finding.ended),
        "confidence": _rounded(finding.confidence),
        "seen": clean(finding.why),
        "consequence": about.consequence,
        "do_first": clean(finding.action) or about.action,
        "cautions": [*about.cautions, *([clean(finding.caution)] if finding.caution else about.general)],
        "pump_setting_kpa": _rounded(supply) if about.refill else None,
        "supply_kpa": _rounded(report.supply_kpa),
        "air_charge": _charge(report.air_charge[-1]) if report.air_charge else None,
        "worst_case_peak_kpa": _rounded(report.worst_case_peak_kpa),
        "forecast": None if report.forecast is None else _forecast(report.forecast),
        "evidence": {name: _plain(value) for name, value in finding.evidence.items()},
    }


def encode(alert: Alert, found: Mapping[str, Any]) -> bytes:
    """Return a document as it is sent: with what identifies the alert, in UTF-8 without line breaks."""
    known = {"key": alert.key, "event": alert.event, "link": alert.link or None}
    return json.dumps({**found, **known}, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _charge(estimate: ChargeEstimate) -> dict[str, Any]:
    return {
        "time": stamp(estimate.time),
        "kpa": _rounded(estimate.kpa),
        "low_kpa": _rounded(estimate.low_kpa),
        "high_kpa": _rounded(estimate.high_kpa),
    }


def _forecast(ahead: Forecast) -> dict[str, Any]:
    return {
        "limit_date": stamp(ahead.limit_date),
        "low": stamp(ahead.low),
        "high": None if ahead.high is None else stamp(ahead.high),
        "limit_kpa": _rounded(ahead.limit_kpa),
    }


def _plain(value: float | str | None) -> float | str | None:
    return value if value is None or isinstance(value, str) else _rounded(value)


def _rounded(value: float | None) -> float | None:
    """Return a number that JSON has; None for none and for what is not finite."""
    return None if value is None or not isfinite(value) else round(float(value), 3)
