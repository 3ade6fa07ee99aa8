"""What other programs read: kPa gauge, UTC in RFC 3339, no number that JSON does not have."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any, Final

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report

_YEAR_10000: Final = 253_402_300_800.0


_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for the beginning of a formula."""


def cell(text: str) -> str:
    """Return the text of a cell of a table; one that a spreadsheet would run begins with an apostrophe.

    >>> cell("=1+1"), cell("mill")
    ("'=1+1", 'mill')
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def rfc3339(time: float | None) -> str | None:
    """Return an instant in UTC, to the microsecond where it has a fraction; None where it has no such form.

    >>> rfc3339(1767225600.0), rfc3339(0.25)
    ('2026-01-01T00:00:00Z', '1970-01-01T00:00:00.25Z')
    """
    if time is None or not 0 <= time < _YEAR_10000:
        return None
    text = datetime.fromtimestamp(round(time * 1e6) / 1e6, UTC).isoformat(timespec="microseconds")
    return text.removesuffix("+00:00").rstrip("0").rstrip(".") + "Z" if "." in text else text


def number(value: float | None, digits: int = 3) -> float | None:
    """Return a finite number, rounded; None for none and for what is not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def report(found: Report) -> dict[str, Any]:
    """Return the stable JSON form of a report."""
    forecast = found.forecast
    return {
        "site": found.site,
        "span": {"start": rfc3339(found.start), "end": rfc3339(found.end)},
        "samples": found.samples,
        "air_charge": [
            {
                "time": rfc3339(one.time),
                "kpa": number(one.kpa),
                "low_kpa": number(one.low_kpa),
                "high_kpa": number(one.high_kpa),
            }
            for one in found.air_charge
        ],
        "worst_case_peak_kpa": number(found.worst_case_peak_kpa),
        "findings": [finding(one) for one in found.findings],
        "blind": [
            {"start": rfc3339(one.start), "end": rfc3339(one.end), "why": one.why} for one in found.blind
        ],
        "forecast": forecast
        and {
            "limit_date": rfc3339(forecast.limit_date),
            "low": rfc3339(forecast.low),
            "high": rfc3339(forecast.high),
        },
    }


def finding(one: Finding) -> dict[str, Any]:
    """Return the stable JSON form of a finding."""
    return {
        "fault": one.fault.value,
        "began": rfc3339(one.began),
        "raised": rfc3339(one.raised),
        "ended": rfc3339(one.ended),
        "severity": one.severity.value,
        "why": one.why,
        "action": one.action,
        "evidence": {
            key: value if isinstance(value, str) or (value is not None and math.isfinite(value)) else None
            for key, value in one.evidence.items()
        },
    }
