"""Which sites somebody has to drive to, in which order, what to do there and what to bring. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.diagnosis.advice import Advice, Row
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.rationale import LICENSED, rationale_of
from monitor.diagnosis.timings import respond_within
from monitor.diagnosis.watchweek import WEEK
from monitor.service.followup import advice_of
from monitor.service.ports import SiteView
from monitor.site import Site
from monitor.units import from_si

AT_HOME: Final = frozenset({Advice.WAIT, Advice.NOTHING})
"""What is done by waiting: no reason to drive."""

_OF_THE_TANK: Final = frozenset({Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST})
_RANK: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}
_GAUGE: Final = ("pressure gauge for the air valve", "pressure gauge for the line, with a hose connection")
_PUMP: Final = (*_GAUGE, "air pump", "valve core and cap", "soapy water and brush")
_TANK: Final = ("bracket or strap for its weight full of water", "thread sealant", *_PUMP)

BRING: Final[Mapping[Advice, tuple[str, ...]]] = {
    Advice.CALL: ("somebody licensed for relief valves and water heaters",),
    Advice.REPLACE: _TANK,
    Advice.LARGER: _TANK,
    Advice.REFILL: _PUMP,
    Advice.RELEASE: _GAUGE,
    Advice.GAUGE: _PUMP,
    Advice.LEAK: ("torch", "dry cloths and paper", *_GAUGE),
    Advice.REGULATOR: ("repair kit or spare of the pressure reducing valve", *_PUMP),
    Advice.CHECK_VALVE: (
        "repair kit or spare of the check valve",
        "somebody certified where it is a backflow preventer",
    ),
    Advice.SENSOR: ("spare pressure sensor and its tools", "multimeter", _GAUGE[1]),
    Advice.WAIT: (),
    Advice.NOTHING: (),
}
"""What each advice needs on site (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Job:
    """A site that wants a visit.

    ``faults`` stand there, the gravest first; ``events`` are their numbers. ``since``: when the first of them was
    raised; ``due``: when the time to respond, or the forecast, is over; None where nothing presses. [epoch s]
    """

    site: Site
    row: Row
    faults: tuple[Fault, ...]
    severity: Severity | None
    urgent: bool
    since: float | None
    due: float | None
    bring: tuple[str, ...]
    cautions: tuple[str, ...]
    events: tuple[int, ...]

    @property
    def order(self) -> tuple[bool, float, int, str]:
        """Return the key that sorts what presses most to the front."""
        rank = len(_RANK) if self.severity is None else _RANK[self.severity]
        return not self.urgent, math.inf if self.due is None else self.due, rank, self.site.id


def work_list(
    views: Iterable[SiteView], now: float, *, everything: bool = False, length: float = WEEK
) -> list[Job]:
    """Return the jobs, the most pressing first; ``everything``: also sites where there is nothing to drive for.

    ``now`` in epoch seconds; ``length`` of a watch after a visit. [s]. A site that is out of service, and an event
    that is shelved, wait for the people who said so: they are on the list all the same, for the list is no alert.
    """
    jobs = [_job(view, now, length) for view in views]
    return sorted(
        (job for job in jobs if everything or job.row.advice not in AT_HOME), key=lambda job: job.order
    )


def _job(view: SiteView, now: float, length: float) -> Job:
    row = advice_of(view.site, view.visits, view.report, now, length)
    standing = sorted(
        (one for one in view.report.findings if one.ended is None),
        key=lambda one: (_RANK[one.severity], one.raised),
    )
    active = [event for event in view.events if event.state.active and event.finding.ended is None]
    # The event's own date: an analysis that is done anew may date its beginning differently from what people heard.
    told = {event.finding.fault: event.finding.raised for event in active}
    standing = [replace(one, raised=told.get(one.fault, one.raised)) for one in standing]
    waits = row.advice in AT_HOME
    return Job(
        site=view.site,
        row=row,
        faults=tuple(one.fault for one in standing),
        severity=standing[0].severity if standing else None,
        urgent=any(rationale_of(one).urgent for one in standing),
        since=min((one.raised for one in standing), default=None),
        due=None if waits else _due(view, standing),
        bring=tuple(_bring(view.site, row.advice, standing)),
        cautions=tuple(_cautions(standing)),
        events=tuple(sorted(event.number for event in active)),
    )


def _due(view: SiteView, standing: Sequence[Finding]) -> float | None:
    """Return when the first time to respond is over, or when the charge reaches its limit if that is sooner."""
    ends = [one.raised + respond_within(one) for one in standing]
    if view.report.forecast is not None:
        ends.append(view.report.forecast.limit_date)
    return min(ends, default=None)


def _cautions(standing: Sequence[Finding]) -> Iterable[str]:
    """Return what the gravest fault warns of and what holds for any work on it; without one, what holds always."""
    if not standing:
        return (LICENSED,)
    about = rationale_of(standing[0])
    return (*about.cautions, *about.general)


def _bring(site: Site, advice: Advice, standing: Sequence[Finding]) -> Iterable[str]:
    volume = None if site.tank_volume is None else from_si(site.tank_volume, "L", "volume")
    if advice is Advice.REPLACE:
        size = "no smaller than the present one" if volume is None else f"of {volume:.3g} L or more"
        yield f"expansion tank {size}, for this water and pressure"
    elif advice is Advice.LARGER:
        size = "larger than the present one" if volume is None else f"larger than {volume:.3g} L"
        yield f"expansion tank {size}: cushionwatch size --site says how large"
    yield from BRING[advice]
    if advice is Advice.CALL and any(one.fault in _OF_THE_TANK for one in standing):
        yield from _PUMP
