"""The findings of one site over time: when one is raised, what it explains, when it has ended.

Hysteresis instead of haste: a suspicion must stand for several windows, and a finding ends only when
several windows contradict it. One first cause is raised where it explains the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from monitor.diagnosis.accounts import (
    blind,
    cushion_lost,
    from_opinion,
    low_charge,
    near_relief,
    relief_open,
)
from monitor.diagnosis.causes import BLINDING, EXPLAINS, explained
from monitor.diagnosis.facts import Facts
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.limits import LOST_SHARE
from monitor.diagnosis.relief import Discharge
from monitor.diagnosis.rules import CERTAIN, CLEARED, loss_began
from monitor.diagnosis.sight import NO_READINGS, RAISE_AFTER, SILENCE_REMEDY, Sight
from monitor.diagnosis.signs.sign import Opinion
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY, Belief
from monitor.estimation.plant import Plant
from monitor.estimation.windows import Kind, Window
from monitor.site import Site

_LOW_WINDOWS: Final = 3
_LOST_WINDOWS: Final = 2
_CLEAR_WINDOWS: Final = 3
_QUIET_BURNS: Final = 3


@dataclass(slots=True)
class _Runs:
    """How many windows in a row have said the same, and since when it was more likely than not."""

    low: int = 0
    near: int = 0  # the relief valve, by a full recovery
    lost: int = 0
    clear: int = 0
    low_since: float | None = None
    lost_since: float | None = None


class Watch:
    """Raises and ends the findings of one site; fed in the order of its data."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self.findings: list[Finding] = []
        self._speaker = Speaker(site)
        self._plant, self._runs = plant, _Runs()
        self._relief: Discharge | None = None
        self._relief_at, self._quiet, self._silent = 0.0, 0, False
        self._told: dict[Fault, float] = {}  # by the signs

    def standing(self, fault: Fault) -> Finding | None:
        """Return the finding of ``fault`` that has not ended."""
        return next((f for f in self.findings if f.fault is fault and f.ended is None), None)

    def judge(self, facts: Facts, belief: Belief, windows: list[Window], at: float) -> list[Finding]:
        """Weigh the suspicions after a burn with its ``windows``."""
        weighed = [w for w in windows if w.kind is not Kind.FLAT]
        if not weighed or belief.windows < _LOST_WINDOWS:
            return []
        self._count(facts, weighed, settled=not belief.aside)
        if self._runs.lost >= _LOST_WINDOWS:
            return self._lost(facts, belief, at)
        if self._runs.low >= _LOW_WINDOWS:
            return self._low(facts, belief, at)
        if self._runs.clear >= _CLEAR_WINDOWS:
            return self._end(at, Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST)
        return []

    def _count(self, facts: Facts, windows: list[Window], *, settled: bool) -> None:
        runs, suspicion = self._runs, facts.suspicion
        count, start = len(windows), windows[0].start
        low = max(suspicion.low, suspicion.leaking)
        certain = CERTAIN / (1.0 - self._told.get(Fault.AIR_CHARGE_HIGH, 0.0))
        low *= 1.0 - self._told.get(Fault.REGULATOR_CREEP, 0.0)
        runs.low = runs.low + count if low >= certain else 0
        runs.near = runs.near + count if near_relief(facts) else 0
        runs.lost = runs.lost + count if suspicion.lost >= certain else 0
        # Windows that the estimate has set aside may be the first of a new state: nothing is clear then.
        runs.clear = runs.clear + count if settled and max(low, suspicion.lost) < CLEARED else 0
        if suspicion.low < 0.5:
            runs.low_since = None
        elif runs.low_since is None:
            runs.low_since = start
        if suspicion.lost < 0.5:
            runs.lost_since = None
        elif runs.lost_since is None:
            runs.lost_since = start

    def _lost(self, facts: Facts, belief: Belief, at: float) -> list[Finding]:
        if self.standing(Fault.AIR_CUSHION_LOST) is not None or self._explained(Fault.AIR_CUSHION_LOST):
            return []
        began = self._runs.lost_since if self._runs.lost_since is not None else at
        if facts.suspicion.jumped and belief.jumps:
            began = belief.jumps[-1].at
        relief = self._relief if self.standing(Fault.RELIEF_DISCHARGING) is not None else None
        ended = self._end(at, *EXPLAINS[Fault.AIR_CUSHION_LOST])
        finding = cushion_lost(facts, self._speaker, min(began, at), at, relief, facts.suspicion.lost)
        return [*ended, self._add(finding)]

    def _low(self, facts: Facts, belief: Belief, at: float) -> list[Finding]:
        low = self.standing(Fault.AIR_CHARGE_LOW)
        if low is not None:
            return self._escalate(low, facts, at)
        if self._explained(Fault.AIR_CHARGE_LOW):
            return []
        began = self._runs.low_since if facts.suspicion.low >= CERTAIN else loss_began(belief)
        began = at if began is None else began
        return [self._add(low_charge(facts, self._speaker, min(began, at), at))]

    def _escalate(self, low: Finding, facts: Facts, at: float) -> list[Finding]:
        """Tell once that a low charge has come so far that a full recovery nears the relief valve."""
        if low.severity is Severity.HIGH or self._runs.near < _LOW_WINDOWS:
            return []
        today = low_charge(facts, self._speaker, low.began, low.raised)
        worse = replace(today, evidence=dict(today.evidence) | {"near_relief_since": round(at)})
        self.findings[self.findings.index(low)] = worse
        return [worse]

    def discharge(self, seen: Discharge, windows: list[Window], facts: Facts, at: float) -> list[Finding]:
        """Take a discharging relief valve into account; ``windows`` are those of the same burn."""
        if self.standing(Fault.PRESSURE_SENSOR_FAULT) is not None:
            return []  # readings that are known to lie show no discharge
        if self._relief is None or at - self._relief_at > DAY:
            self._relief = seen
        self._relief_at, self._quiet = at, 0
        lost = self.standing(Fault.AIR_CUSHION_LOST)
        if lost is not None:
            return self._amend(lost, seen)
        if self.standing(Fault.RELIEF_DISCHARGING) is not None:
            return []
        proven = facts.suspicion.lost >= CERTAIN or self.proves_loss(windows)
        if (
            proven
            and self._told.get(Fault.AIR_CHARGE_HIGH, 0.0) < 0.5
            and not self._explained(Fault.AIR_CUSHION_LOST)
        ):
            began = self._runs.lost_since if self._runs.lost_since is not None else seen.since
            ended = self._end(at, Fault.AIR_CHARGE_LOW)
            confidence = max(facts.suspicion.lost, CERTAIN)
            return [*ended, self._add(cushion_lost(facts, self._speaker, began, at, seen, confidence))]
        low = self.standing(Fault.AIR_CHARGE_LOW)
        return [self._add(relief_open(seen, facts, self._speaker, at, None if low is None else low.fault))]

    def consider(self, opinions: list[Opinion], facts: Facts, at: float) -> list[Finding]:
        """Raise and end what the signs think; a fault that another explains is not raised beside it."""
        changed: list[Finding] = []
        for opinion in opinions:
            self._told[opinion.fault] = opinion.probability
            standing = self.standing(opinion.fault)
            if standing is not None:
                if opinion.probability < CLEARED:
                    changed += self._end(at, opinion.fault)
            elif opinion.probability >= CERTAIN and not self._explained(opinion.fault):
                changed += self._end(at, *EXPLAINS.get(opinion.fault, frozenset()))
                changed.append(self._add(from_opinion(opinion, self._speaker, facts.target, at)))
        return changed

    @property
    def untrusted(self) -> bool:
        """Whether a signal is known to lie, so that no window may tell of the tank."""
        return any(self.standing(fault) is not None for fault in BLINDING)

    def _explained(self, fault: Fault) -> bool:
        return explained(fault, (f.fault for f in self.findings if f.ended is None)) is not None

    def proves_loss(self, windows: list[Window]) -> bool:
        """Whether windows before a discharge leave no room for a cushion."""
        return any(self._hardly_any_air(window) for window in windows)

    def _hardly_any_air(self, window: Window) -> bool:
        """Whether one steep window, the heat scale at its worst, leaves no room for a cushion."""
        plant = self._plant
        if window.kind is Kind.FLAT or window.p2 <= window.p1:
            return False
        by_air = LOST_SHARE * plant.air_nominal * (1.0 / window.p1 - 1.0 / window.p2)
        most = window.growth * (1.0 + 2.0 * plant.scale_sd + window.relative_sd)
        return most < by_air + 2.0 * plant.elastic * (window.p2 - window.p1)

    def _amend(self, lost: Finding, seen: Discharge) -> list[Finding]:
        if "relief_discharging_since" in lost.evidence:
            return []
        evidence = dict(lost.evidence) | {
            "relief_discharging_since": round(seen.since),
            "relief_discharging_kpa": round(seen.pressure / 1000.0, 2),
        }
        why = (
            f"{lost.why} Since {self._speaker.moment(seen.since)} the relief valve lets water out during heating: "
            "never plug or cap it."
        )
        amended = replace(lost, why=why, evidence=evidence)
        self.findings[self.findings.index(lost)] = amended
        return [amended]

    def burn_passed(self, at: float) -> list[Finding]:
        """Take note of a finished burn: a valve that stays shut for a day of burns has stopped discharging."""
        if self._relief is None or self._relief_at == at:  # what a sign has raised, it ends itself
            return []
        self._quiet += 1
        if self._quiet >= _QUIET_BURNS and at - self._relief_at >= DAY:
            return self._end(at, Fault.RELIEF_DISCHARGING)
        return []

    def visit(self) -> None:
        """Take note of a service visit: what was counted before it says nothing of the tank after it."""
        self._runs = _Runs()

    def sight(self, sight: Sight, at: float) -> list[Finding]:
        """Raise or end blindness for want of evidence."""
        standing = self.standing(Fault.BLIND)
        if sight.since is None:
            return [] if standing is None or self._silent else self._end(at, Fault.BLIND)
        if standing is not None or at - sight.since < RAISE_AFTER or self._explained(Fault.BLIND):
            return []
        self._silent = False
        return [self._add(blind(sight.since, at, sight.why, sight.remedy, self._speaker))]

    def silence(self, last: float, now: float) -> list[Finding]:
        """Raise blindness where no reading has come since ``last``."""
        if now - last < RAISE_AFTER or self.standing(Fault.BLIND) is not None:
            return []
        self._silent = True
        return [self._add(blind(last, last + RAISE_AFTER, NO_READINGS, SILENCE_REMEDY, self._speaker))]

    def heard(self, at: float) -> list[Finding]:
        """End the blindness of a silence: readings are back."""
        if not self._silent:
            return []
        self._silent = False
        standing = self.standing(Fault.BLIND)
        # A backlog is older than the silence that it fills; nothing ends before it was raised.
        return [] if standing is None else self._end(max(at, standing.raised), Fault.BLIND)

    def _add(self, finding: Finding) -> Finding:
        self._runs.clear = 0
        self.findings.append(finding)
        return finding

    def _end(self, at: float, *faults: Fault) -> list[Finding]:
        ended = []
        for index, finding in enumerate(self.findings):
            if finding.fault in faults and finding.ended is None:
                self.findings[index] = replace(finding, ended=at)
                ended.append(self.findings[index])
        return ended
