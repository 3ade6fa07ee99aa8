"""The JSON form of a commissioning: kPa gauge, UTC in RFC 3339, no number that JSON does not have."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from monitor.diagnosis.commissioning.check import Check, Commissioning, Interval
from monitor.web.machine import number, rfc3339


def commissioning(found: Commissioning) -> dict[str, Any]:
    """Return the stable JSON form of a commissioning."""
    accuracy = found.accuracy
    return {
        "site": found.site,
        "span": {"start": rfc3339(found.start), "end": rfc3339(found.end)},
        "samples": found.samples,
        "fits": found.fits,
        "checks": [_check(one) for one in found.checks],
        "accuracy": accuracy
        and {
            "now": _interval(accuracy.now),
            "after_gauge_reading": _interval(accuracy.gauged),
            "without_temperature": accuracy.blind_now and _interval(accuracy.blind_now),
        },
        "next": list(found.next),
    }


def _check(one: Check) -> dict[str, Any]:
    return {
        "check": one.code.value,
        "word": one.word.value.replace(" ", "_"),
        "seen": one.seen,
        "do": one.do or None,
        "evidence": {
            key: value if isinstance(value, str) or (value is not None and math.isfinite(value)) else None
            for key, value in one.evidence.items()
        },
    }


def _interval(one: Interval) -> dict[str, float | None]:
    return {key: number(value) for key, value in asdict(one).items()}
