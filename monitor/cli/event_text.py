"""Events, their audit trail and the table of delays, as lines for a terminal, as CSV and as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

from monitor.diagnosis.rationale import rationale, rationale_of
from monitor.diagnosis.timings import CHATTERS, TIMINGS
from monitor.service.lifecycle import silence
from monitor.service.lifecycle_groups import Group, explains
from monitor.service.lifecycle_records import AuditLine, OutOfService
from monitor.service.lifecycle_words import out_words, quiet, reminder
from monitor.service.ports import Event
from monitor.web.machine import cell, rfc3339

_AUDIT: Final = ("time", "site", "event", "fault", "act", "before", "after", "who", "why")


def as_text(
    events: Sequence[Event], outs: Sequence[OutOfService], groups: Sequence[Group], now: float
) -> str:
    """Return events, newest first, with what keeps them quiet and what they explain."""
    lines = [line for out in outs for line in _out_lines(out, now)]
    lines += [
        f"{len(group.sites)} sites at once, {_time(group.first)} to {_time(group.last)}: "
        f"{rationale(group.fault.value).headline} (events {_numbers(group.events)})"
        for group in groups
    ]
    if lines:
        lines.append("")
    rows = [_row(event) for event in events]
    lines += columns(("event", "site", "priority", "state", "raised", "what"), rows)
    for event in events:
        lines += [f"{event.number}: {note}" for note in _notes(event, events)]
    standing = sum(1 for event in events if event.state.active)
    still = sum(1 for event in events if silence(event) and event.state.active)
    lines.append(f"{standing} stand, {still} of them quiet; {len(outs)} out of service")
    return "\n".join(lines)


def as_json(
    events: Sequence[Event], outs: Sequence[OutOfService], groups: Sequence[Group], now: float
) -> str:
    """Return the same as one JSON object, times in UTC."""
    found = {
        "events": [_event(event, events) for event in events],
        "out_of_service": [_out(out, now) for out in outs],
        "groups": [
            {
                "fault": group.fault.value,
                "sites": list(group.sites),
                "events": [event.number for event in group.events],
                "first": _time(group.first),
                "last": _time(group.last),
            }
            for group in groups
        ],
    }
    return json.dumps(found, indent=2)


def audit_text(lines: Sequence[AuditLine]) -> str:
    """Return an audit trail as columns."""
    return "\n".join([*columns(_AUDIT, [_cells(line) for line in lines]), f"{len(lines)} lines"])


def audit_csv(lines: Iterable[AuditLine]) -> str:
    """Return an audit trail as CSV; a cell that a spreadsheet would take for a formula begins with an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_AUDIT)
    writer.writerows(map(cell, _cells(line)) for line in lines)
    return text.getvalue().rstrip("\n")


def audit_json(lines: Iterable[AuditLine]) -> str:
    """Return an audit trail as one JSON list."""
    found = [dict(zip(_AUDIT, _cells(line), strict=True)) | {"event": line.event} for line in lines]
    return json.dumps(found, indent=2)


def table_text() -> str:
    """Return for each fault when it is raised, when it ends, how soon somebody has to act, and why."""
    lines = []
    for fault, row in TIMINGS.items():
        lines += [
            f"{fault.value}: {rationale(fault.value).headline}",
            f"  Raised     {row.raised}",
            f"  Ended      {row.ended}",
            f"  Dead band  {row.dead_band}",
            f"  Why        {row.why}",
            f"  Respond    {rationale(fault.value).respond}",
            "",
        ]
    return "\n".join(lines).rstrip()


def table_json() -> str:
    """Return the same as one JSON object by fault, times in seconds."""
    found = {
        fault.value: {
            "raised": row.raised,
            "ended": row.ended,
            "dead_band": row.dead_band,
            "why": row.why,
            "respond_within_s": row.respond_within,
        }
        for fault, row in TIMINGS.items()
    }
    return json.dumps(found, indent=2)


def columns(head: tuple[str, ...], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a head and rows in columns as wide as needed, with an empty line after them; nothing without rows."""
    if not rows:
        return []
    widths = [max(len(row[place]) for row in (head, *rows)) for place in range(len(head))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (head, *rows)
    ] + [""]


def _row(event: Event) -> tuple[str, ...]:
    found, why = event.finding, silence(event)
    state = (
        event.state.value if why is None or not event.state.active else f"{event.state.value}, {why.value}"
    )
    urgent = "urgent" if rationale_of(found).urgent else found.severity.value
    name = rationale_of(found).headline
    return (str(event.number), event.site, urgent, state, _time(found.raised), name)


def _notes(event: Event, events: Sequence[Event]) -> Iterable[str]:
    if event.state.active and (words := quiet(event, _time)):
        yield words
    if explained := explains(event, events):
        names = ", ".join(f"{one.number} ({rationale_of(one.finding).headline})" for one in explained)
        yield f"First cause of event {names}."


def _out_lines(out: OutOfService, now: float) -> Iterable[str]:
    yield f"{out.site}: {out_words(out, _time)}"
    if words := reminder(out, now):
        yield f"  {words}"


def _event(event: Event, events: Sequence[Event]) -> dict[str, Any]:
    found, why, shelf = event.finding, silence(event), event.shelf
    return {
        "number": event.number,
        "site": event.site,
        "fault": found.fault.value,
        "severity": found.severity.value,
        "urgent": rationale_of(found).urgent,
        "state": event.state.value,
        "quiet": why.value if why and event.state.active else None,
        "began": rfc3339(found.began),
        "raised": rfc3339(found.raised),
        "ended": rfc3339(found.ended),
        "shelf": shelf
        and {
            "since": rfc3339(shelf.since),
            "until": rfc3339(shelf.until),
            "who": shelf.who,
            "why": shelf.why,
        },
        "explained_by": event.cause,
        "explains": [one.number for one in explains(event, events)],
        "raises": event.raises,
        "chattering": event.raises >= CHATTERS,
    }


def _out(out: OutOfService, now: float) -> dict[str, Any]:
    return {
        "site": out.site,
        "point": out.point and out.point.value,
        "since": rfc3339(out.since),
        "who": out.who,
        "why": out.why,
        "urgent_until": rfc3339(out.urgent_until),
        "remind": bool(reminder(out, now)),
    }


def _cells(line: AuditLine) -> list[str]:
    number = "" if line.event is None else str(line.event)
    return [
        _time(line.time), line.site, number, line.fault, line.act, line.before, line.after, line.who, line.why
    ]  # fmt: skip


def _numbers(events: Iterable[Event]) -> str:
    return ", ".join(str(event.number) for event in events)


def _time(time: float) -> str:
    return rfc3339(time) or ""
