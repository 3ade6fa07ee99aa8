"""How well the events serve those who get them: the figures of ISA-18.2 and IEC 62682 over a span. Pure.

An event counts as told unless another explained it from its raise on, or its fault came and went and it did not stand
for long: those are raised and not told. What a person shelved or worked on counts, as it did happen.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.faults import Severity
from monitor.diagnosis.timings import CHATTERS, DAY, FLEETING, STALE, respond_within
from monitor.service.lifecycle_groups import FLOOD_BEGINS, FLOOD_ENDS, FLOOD_SPAN
from monitor.service.lifecycle_records import Act, AuditLine
from monitor.service.ports import Event

TOP: Final = 10
"""How many of the most frequent (site and fault) the share is told of."""


@dataclass(frozen=True, slots=True)
class Response:
    """Events of a priority whose time to respond is over or that were taken: how many of them in time."""

    judged: int
    in_time: int


@dataclass(frozen=True, slots=True)
class Figures:
    """What a span of ``days`` brought, over ``sites`` sites and ``people`` persons who share the events.

    ``told`` of ``raised``; rates are of what was told. ``flood_share`` is of time, ``top_share`` of what was told, None
    where nothing was. ``standing``, ``stale`` and ``quiet`` (standing and not told) are as at the end of the span.
    """

    days: float
    sites: int
    people: int
    raised: int
    told: int
    per_site_week: float
    per_operator_day: float
    peak: int
    flood_share: float
    top_share: float | None
    top: Sequence[tuple[str, str, int]]
    chattering: int
    fleeting: int
    stale: int
    standing: int
    quiet: int
    priorities: Mapping[Severity, int]
    response: Mapping[Severity, Response]


def figures(
    events: Sequence[Event],
    trail: Sequence[AuditLine],
    now: float,
    days: float,
    sites: int,
    people: int = 1,
) -> Figures:
    """Return the figures of the ``days`` before ``now`` (epoch s).

    ``events``: those raised in the span and all that stand; ``trail``: what was done in it.
    """
    start = now - days * DAY
    span = [event for event in events if start <= event.finding.raised <= now]
    hidden: dict[int | None, float] = {}  # since when: the first cause counts, whatever took its place
    for line in trail:
        if line.act == Act.SUPPRESSED:
            hidden.setdefault(line.event, line.time)
    told = [event for event in span if not (event.held or _never_told(event, hidden))]
    times = sorted(event.finding.raised for event in told)
    often = Counter((event.site, event.finding.fault.value) for event in told).most_common(TOP)
    standing = [event for event in events if event.state.active]
    return Figures(
        days=days,
        sites=sites,
        people=people,
        raised=len(span),
        told=len(told),
        per_site_week=len(told) / max(sites, 1) / (days / 7.0),
        per_operator_day=len(told) / people / days,
        peak=_peak(times),
        flood_share=_flooded(times, now) / (days * DAY),
        top_share=sum(count for _, count in often) / len(told) if told else None,
        top=tuple((site, fault, count) for (site, fault), count in often),
        chattering=len({(one.site, one.finding.fault) for one in span if one.raises >= CHATTERS}),
        fleeting=sum(1 for event in span if _fleeting(event)),
        stale=sum(1 for event in standing if now - event.finding.raised > STALE[event.finding.severity]),
        standing=len(standing),
        quiet=sum(1 for event in standing if event.cause or event.held or event.shelf or event.out),
        priorities={kind: sum(1 for one in told if one.finding.severity is kind) for kind in Severity},
        response=_response(told, trail, now),
    )


def _never_told(event: Event, hidden: Mapping[int | None, float]) -> bool:
    """Tell whether another event explains it, and did so when it was raised; one that came later found it told."""
    return event.cause is not None and hidden.get(event.number, math.inf) <= event.finding.raised


def _fleeting(event: Event) -> bool:
    ended = event.finding.ended
    return ended is not None and ended - event.finding.raised < FLEETING and event.raises < CHATTERS


def _peak(times: Sequence[float]) -> int:
    """Return the most within any `FLOOD_SPAN`."""
    return max(
        (bisect_right(times, time + FLOOD_SPAN) - place for place, time in enumerate(times)), default=0
    )


def _flooded(times: Sequence[float], now: float) -> float:
    """Return for how long there was a flood, in seconds.

    The count changes only when one comes or is `FLOOD_SPAN` old.
    """
    steps = sorted([(time, 1) for time in times] + [(time + FLOOD_SPAN, -1) for time in times])
    count, began, length = 0, None, 0.0
    for time, change in steps:
        if time > now:
            break
        count += change
        if began is None and count > FLOOD_BEGINS:
            began = time
        elif began is not None and count < FLOOD_ENDS:
            length += time - began
            began = None
    return length + (now - began if began is not None else 0.0)


def _response(told: Iterable[Event], trail: Iterable[AuditLine], now: float) -> dict[Severity, Response]:
    """Return, by priority, how many were acknowledged before the time to respond was over."""
    taken: dict[int, float] = {}
    for line in trail:
        if line.event is not None and line.act in {Act.ACKNOWLEDGED, ""} and _takes(line):
            taken.setdefault(line.event, line.time)
    judged, in_time = Counter[Severity](), Counter[Severity]()
    for event in told:
        deadline = event.finding.raised + respond_within(event.finding)
        when = taken.get(event.number)
        if when is None and now < deadline and event.finding.ended is None:
            continue  # there is still time
        if when is None and event.finding.ended is not None and event.finding.ended <= deadline:
            continue  # it was over before anyone had to respond
        judged[event.finding.severity] += 1
        in_time[event.finding.severity] += when is not None and when <= deadline
    return {kind: Response(judged[kind], in_time[kind]) for kind in Severity}


def _takes(line: AuditLine) -> bool:
    """Tell whether a line takes an event from "nobody has seen it"; older lines name no act."""
    return line.before.endswith("unacknowledged") and not line.after.endswith("unacknowledged")
