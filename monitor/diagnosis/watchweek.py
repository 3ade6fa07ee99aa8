"""Whether what a service visit left in a tank has stayed there: a week's watch for each visit, pure.

A fall is said as soon as it is certain; "held" only at the end, and only where a loss would have been seen.
Times in epoch seconds UTC, pressures kPa gauge as in a report.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.diagnosis.causes import BENDING
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.report import BlindSpan, ChargeEstimate, Report
from monitor.diagnosis.sight import WINDOWS_NEEDED
from monitor.physics.atmosphere import pressure_at
from monitor.site import Site, Visit, VisitAction
from monitor.units import KPA

DAY: Final = 86_400.0
WEEK: Final = 7.0 * DAY
"""How long a watch lasts where the settings do not say."""

_MARGIN: Final = 12.0  # kPa: a hand gauge read to half a mark and a room 5 K colder, 90 %
_TWO_GAUGES: Final = 12.0  # kPa: two readings of it, 90 %
_SURELY: Final = 1.414  # 99 % over 95 % on one side: a sound tank that is called fallen costs a new one
_KEPT: Final = 0.96  # of the air, by the estimate itself
_KEPT_AT_LEAST: Final = 0.9  # of the air, by the low end of its interval
_LEAST_LEFT: Final = 35.0
"""Charge [kPa gauge], about 5 psi, below which an estimate cannot tell what was left from a tank without air: both
hold about the air of a room. No line is that low (common practice, no source)."""
_FRESH: Final = DAY  # s before its end: a watch needs an estimate that is no older
_BLIND_SHARE: Final = 0.5

_FALLING: Final = frozenset({Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST})


class WatchState(StrEnum):
    """What is known of a repair. ``UNPROVABLE``: the time is over, and neither holding nor a fall was shown."""

    RUNNING = "running"
    HELD = "held"
    FALLEN = "fallen"
    UNPROVABLE = "unprovable"
    OVERTAKEN = "overtaken"


class Reason(StrEnum):
    """Why a watch is in its state."""

    NOT_OVER = "not_over"
    KEPT = "kept"
    BELOW = "below"
    GAUGED_BELOW = "gauged_below"
    NEXT_VISIT = "next_visit"
    NO_CHARGE = "no_charge"
    BLIND = "blind"
    EXPLAINED = "explained"
    NO_ESTIMATE = "no_estimate"
    FEW_WINDOWS = "few_windows"
    UNSURE = "unsure"
    TOO_LITTLE = "too_little"


@dataclass(frozen=True, slots=True)
class Watched:
    """The watch of one visit at one instant.

    ``end`` is when it is over, ``now`` how far it has come, ``decided`` when its state was reached (None while it
    runs); ``newest`` is the last estimate that counts, ``windows`` how often the cushion was weighed since,
    ``blind`` for how many seconds nothing could be seen; ``fault`` is what explains another, where one does.
    ``enough``: a fall would have been seen by now. ``found``: the charge [kPa] that the next visit gauged.
    """

    visit: Visit
    state: WatchState
    reason: Reason
    end: float
    now: float
    decided: float | None = None
    newest: ChargeEstimate | None = None
    windows: int = 0
    blind: float = 0.0
    fault: Fault | None = None
    enough: bool = False
    found: float | None = None

    @property
    def left(self) -> float:
        """Return the charge that the visit left. [kPa gauge]."""
        return (self.visit.precharge or 0.0) / KPA

    @property
    def day(self) -> int:
        """Return the day of the watch, counted from 1."""
        return int((min(self.now, self.end - 1.0) - self.visit.time) // DAY) + 1

    @property
    def days(self) -> int:
        """Return how many days the watch has."""
        return max(1, round((self.end - self.visit.time) / DAY))


def watches(
    site: Site, visits: Iterable[Visit], report: Report, now: float, length: float = WEEK
) -> list[Watched]:
    """Return the watch of each visit that gauged or changed the charge, oldest first.

    Parameters
    ----------
    site : Site
        The site; its altitude tells the air outside.
    visits : iterable of Visit
        All of its visits; those after ``now`` and those that only looked are left out.
    report : Report
        What the analysis knows, these visits among it.
    now : float
        The present. [epoch s]
    length : float
        How long a watch lasts. [s]
    """
    book = sorted(
        (v for v in visits if v.action is not VisitAction.LOOKED and v.time <= now), key=lambda v: v.time
    )
    outside = pressure_at(site.altitude) / KPA
    return [
        _Week(visit, later, report, now, length, outside).watched()
        for visit, later in zip(book, [*book[1:], None], strict=False)  # no visit: nothing comes after
    ]


def last_watch(
    site: Site, visits: Iterable[Visit], report: Report, now: float, length: float = WEEK
) -> Watched | None:
    """Return the watch of the last visit that gauged or changed the charge, None without one."""
    return next(reversed(watches(site, visits, report, now, length)), None)


class _Week:
    """One watch, with what falls into it."""

    def __init__(
        self, visit: Visit, later: Visit | None, report: Report, now: float, length: float, outside: float
    ) -> None:
        self.visit, self.later, self.outside = visit, later, outside
        self.end, self.now = visit.time + length, now
        if later is not None and later.time >= self.end:
            self.later = None
        self.until = min(self.end, now, self.end if self.later is None else self.later.time)
        self.findings = [f for f in report.findings if f.ended is None or f.ended > visit.time]
        since = [one for one in report.air_charge if visit.time < one.time <= self.until]
        self.estimates: Sequence[ChargeEstimate] = since
        self.windows = since[-1].windows - since[0].windows if since else 0
        self.blind = _overlap(report.blind, visit.time, self.until)

    def watched(self) -> Watched:
        """Return what is known."""
        if self.visit.precharge is None:
            return self._told(WatchState.UNPROVABLE, Reason.NO_CHARGE, self.visit.time)
        fell = self._fell()
        if fell is not None:
            return self._told(WatchState.FALLEN, Reason.BELOW, fell)
        if self.later is not None:
            return self._overtaken(self.later, self.visit.precharge / KPA)
        if self.now < self.end:
            return self._told(WatchState.RUNNING, Reason.NOT_OVER, None)
        missing = self._missing()
        if missing is None:
            return self._told(WatchState.HELD, Reason.KEPT, self.end)
        return self._told(WatchState.UNPROVABLE, missing, self.end)

    def _fell(self) -> float | None:
        """Return when the charge was certainly below what the visit left, None if it was not."""
        left = (self.visit.precharge or 0.0) / KPA
        if not self.estimates:
            return None
        base, below = self.estimates[0].windows, 0
        for one in self.estimates:
            weighed = one.windows - base >= WINDOWS_NEEDED and self._explained(one.time) is None
            if weighed and one.high_kpa < left - _MARGIN and self._named(one.time):
                return one.time
            surely = one.kpa + _SURELY * (one.high_kpa - one.kpa)
            below = below + 1 if weighed and surely < left - _MARGIN else 0
            if below >= 2:
                return one.time
        return None

    def _named(self, time: float) -> bool:
        """Whether the analysis itself has called the charge low or lost since the visit."""
        return any(f.fault in _FALLING and self.visit.time < f.raised <= time for f in self.findings)

    def _explained(self, time: float) -> Fault | None:
        """Return the fault that stood then and by which an estimate tells nothing of the tank."""
        return next((f.fault for f in self.findings if f.fault in BENDING and _stands(f, time)), None)

    def _overtaken(self, later: Visit, left: float) -> Watched:
        if later.before is not None and later.before / KPA < left - _TWO_GAUGES:
            return self._told(WatchState.FALLEN, Reason.GAUGED_BELOW, later.time, later.before / KPA)
        return self._told(WatchState.OVERTAKEN, Reason.NEXT_VISIT, later.time)

    def _missing(self) -> Reason | None:
        """Return what is missing for a proof that the charge has held, None if nothing is."""
        if self._explained(self.until) is not None:
            return Reason.EXPLAINED
        falling = any(one.fault in _FALLING and _stands(one, self.until) for one in self.findings)
        if falling or (self.visit.precharge or 0.0) / KPA < _LEAST_LEFT:
            return Reason.TOO_LITTLE  # what a tank without air keeps is no repair
        if self.blind > _BLIND_SHARE * (self.until - self.visit.time):
            return Reason.BLIND
        if not self.estimates or self.estimates[-1].time < self.until - _FRESH:
            return Reason.NO_ESTIMATE
        if self.windows < WINDOWS_NEEDED:
            return Reason.FEW_WINDOWS
        return None if self._kept(self.estimates[-1]) else Reason.UNSURE

    def _kept(self, one: ChargeEstimate) -> bool:
        """Whether an estimate leaves little room for a loss, in shares of the air, and agrees with the gauge."""
        left = (self.visit.precharge or 0.0) / KPA + self.outside
        if one.low_kpa + self.outside > left + _MARGIN:
            return False
        return one.kpa + self.outside >= _KEPT * left and one.low_kpa + self.outside >= _KEPT_AT_LEAST * left

    def _told(
        self, state: WatchState, reason: Reason, decided: float | None, found: float | None = None
    ) -> Watched:
        counts = [one for one in self.estimates if decided is None or one.time <= decided]
        return Watched(
            visit=self.visit,
            state=state,
            reason=reason,
            end=self.end,
            now=min(self.now, self.end),
            decided=decided,
            newest=counts[-1] if counts else None,
            windows=self.windows,
            blind=self.blind,
            fault=self._explained(self.until) if reason in {Reason.EXPLAINED, Reason.NOT_OVER} else None,
            enough=state is WatchState.HELD or (state is WatchState.RUNNING and self._missing() is None),
            found=found,
        )


def _stands(finding: Finding, time: float) -> bool:
    return finding.began <= time and (finding.ended is None or finding.ended > time)


def _overlap(spans: Sequence[BlindSpan], start: float, end: float) -> float:
    """Return for how long of a span others cover it; what overlaps among them counts once. [s]."""
    total, reached = 0.0, start
    for one in sorted(spans, key=lambda span: span.start):
        first, last = max(one.start, reached), min(one.end, end)
        if last > first:
            total += last - first
            reached = last
    return total
