"""The work list for other programs: JSON, a table that spreadsheets read, and a calendar (RFC 5545)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from monitor.service.worklist import Job
from monitor.units import KPA
from monitor.web.machine import cell, number, rfc3339
from monitor.web.visits.words import ADVICE

COLUMNS: Final = (
    "order", "site", "name", "customer", "address", "due", "urgent", "severity", "advice", "do", "why", "faults",
    "since", "bring", "cautions", "supply_kpa", "precharge_kpa", "tank_litres", "events",
)  # fmt: skip
"""Heads of the table, and names in JSON."""


def as_rows(jobs: Iterable[Job]) -> list[dict[str, Any]]:
    """Return the jobs as JSON objects, the most pressing first; kPa gauge, UTC."""
    return [
        {
            "order": place,
            "site": job.site.id,
            "name": job.site.name or job.site.id,
            "customer": job.site.customer,
            "address": job.site.address,
            "due": rfc3339(job.due),
            "urgent": job.urgent,
            "severity": job.severity and job.severity.value,
            "advice": job.row.advice.value,
            "do": job.row.do,
            "why": job.row.why,
            "faults": [fault.value for fault in job.faults],
            "since": rfc3339(job.since),
            "bring": list(job.bring),
            "cautions": list(job.cautions),
            "supply_kpa": number(job.site.supply and job.site.supply / KPA),
            "precharge_kpa": number(job.site.precharge and job.site.precharge / KPA),
            "tank_litres": number(job.site.tank_volume and job.site.tank_volume * 1000.0),
            "events": list(job.events),
        }
        for place, job in enumerate(jobs, 1)
    ]


def as_csv(jobs: Iterable[Job]) -> str:
    """Return the jobs as CSV; a cell that a spreadsheet would take for a formula begins with an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in as_rows(jobs):
        writer.writerow(_cell(row[name]) for name in COLUMNS)
    return text.getvalue()


def as_calendar(jobs: Iterable[Job], now: float) -> bytes:
    """Return an iCalendar feed: a day-long entry for each job that has a date, on that day at the site.

    What is overdue stands on the day of ``now`` [epoch s]. An entry keeps its UID while the job stays the same kind
    of work, so that a calendar moves it rather than doubles it.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//cushionwatch//due visits//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("name", "Due visits")
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    for job in jobs:
        if job.due is not None:
            calendar.add_component(_entry(job, job.due, now))
    return bytes(calendar.to_ical())


def _entry(job: Job, due: float, now: float) -> Event:
    today, day = _day(now, job), _day(due, job)
    overdue = day < today
    entry = Event()
    entry.add("uid", f"{job.site.id}.{job.row.advice.value}@cushionwatch")
    entry.add("dtstamp", datetime.fromtimestamp(int(now), UTC))
    entry.add("dtstart", max(day, today))
    entry.add("dtend", max(day, today) + timedelta(days=1))
    name = job.site.name or job.site.id
    mark = "URGENT: " if job.urgent else "Overdue: " if overdue else ""
    entry.add("summary", f"{mark}{name}: {ADVICE[job.row.advice]}")
    if job.site.address:
        entry.add("location", job.site.address)
    lines = [job.row.do, f"Why: {job.row.why}"]
    if job.bring:
        lines.append(f"Bring: {'; '.join(job.bring)}")
    if job.events:
        lines.append(f"Events: {', '.join(map(str, job.events))}")
    lines += [f"Caution: {text}" for text in job.cautions]
    entry.add("description", "\n".join(lines))
    entry.add("categories", [job.row.advice.value])
    entry.add("priority", 1 if job.urgent else 5)
    entry.add("transp", "TRANSPARENT")
    return entry


def _day(time: float, job: Job) -> date:
    return datetime.fromtimestamp(time, ZoneInfo(job.site.timezone)).date()


def _cell(value: Any) -> str:
    text = "; ".join(map(str, value)) if isinstance(value, list) else "" if value is None else str(value)
    return cell(text)
