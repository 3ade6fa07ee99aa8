"""What is copied, in line protocol: our measurements, tags and fields. The library does the escaping.

| measurement | tags | fields, all of them floats | time |
| --- | --- | --- | --- |
| cushionwatch_reading | site | pressure_kpa (gauge), heater (W, or 0 and 1), temperature_degc | of the reading |
| cushionwatch_charge | site | charge_kpa, low_kpa, high_kpa (gauge; 90 % between) | of the estimate |
| cushionwatch_state | site | verdict (a number of `VERDICTS`), faults, windows, supply_kpa, peak_kpa | last reading |
| cushionwatch_event | site, fault, severity | standing (1 raised, 0 over), number, confidence | raised, ended |
| cushionwatch_copy | | owed (hours of a series), set_aside, gaps | of the clock |

Times are whole microseconds. An integer field would clash with a float of the same name in another program's
writes, and such a clash refuses points without saying which: so no field is ever an integer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Final

import numpy as np
from influxdb_client import Point as Line

from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.estimation.samples import FloatArray
from monitor.readings import Point
from monitor.service.ports import Event
from monitor.store.tables import microseconds

READING: Final = "cushionwatch_reading"
CHARGE: Final = "cushionwatch_charge"
STATE: Final = "cushionwatch_state"
EVENT: Final = "cushionwatch_event"
COPY: Final = "cushionwatch_copy"

FIELDS: Final[Mapping[Point, str]] = {
    Point.PRESSURE: "pressure_kpa",
    Point.HEATER: "heater",
    Point.TEMPERATURE: "temperature_degc",
}
"""Field of a reading by its point."""

VERDICTS: Final[Mapping[Verdict, float]] = {
    Verdict.HOLDING: 0.0,
    Verdict.DOUBTFUL: 1.0,
    Verdict.LEARNING: 2.0,
    Verdict.BLIND: 3.0,
    Verdict.FAULT: 4.0,
}
"""Number of a verdict; the order is that of urgency."""


def readings(site: str, point: Point, times: FloatArray, values: FloatArray) -> list[str]:
    """Return one line for each reading of a series; times in epoch seconds."""
    head = _head(site, FIELDS[point])
    stamps = np.rint(times * 1e6).astype(np.int64).tolist()
    return [f"{head}{value!r} {stamp}" for value, stamp in zip(values.tolist(), stamps, strict=True)]


def charge(site: str, one: ChargeEstimate) -> str:
    """Return the line of one estimate of the air charge."""
    fields = {"charge_kpa": one.kpa, "low_kpa": one.low_kpa, "high_kpa": one.high_kpa}
    return _line(CHARGE, {"site": site}, fields, one.time)


def state(report: Report) -> str:
    """Return the line of what is known of a site at its last reading; empty before the first."""
    if report.end is None:
        return ""
    fields = {
        "verdict": VERDICTS[report.verdict],
        "faults": sum(finding.ended is None for finding in report.findings),
        "windows": report.windows,
        "supply_kpa": report.supply_kpa,
        "peak_kpa": report.worst_case_peak_kpa,
    }
    return _line(STATE, {"site": report.site}, fields, report.end)


def event(one: Event) -> Iterator[str]:
    """Yield the line of an event's beginning and, once it is over, that of its end."""
    finding = one.finding
    tags = {"site": one.site, "fault": finding.fault.value, "severity": finding.severity.value}
    fields = {"number": one.number, "confidence": finding.confidence}
    yield _line(EVENT, tags, {"standing": 1.0, **fields}, finding.raised)
    if finding.ended is not None:
        yield _line(EVENT, tags, {"standing": 0.0, **fields}, finding.ended)


def copy(owed: int, set_aside: int, gaps: int, now: float) -> str:
    """Return a line about the copy itself."""
    return _line(COPY, {}, {"owed": owed, "set_aside": set_aside, "gaps": gaps}, now)


@lru_cache(maxsize=4096)
def _head(site: str, field: str) -> str:
    """Return a line up to its value: the library is too slow to be asked for every reading."""
    line = Line(READING).tag("site", site).field(field, 0.0).to_line_protocol()
    return str(line).removesuffix("0")


def _line(measurement: str, tags: Mapping[str, str], fields: Mapping[str, float | None], time: float) -> str:
    line = Line(measurement)
    for tag, text in tags.items():
        line.tag(tag, text)
    for field, value in fields.items():
        if value is not None and math.isfinite(value):
            line.field(field, float(value))
    return f"{line.to_line_protocol()} {microseconds(time)}"
