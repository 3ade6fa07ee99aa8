"""An air charge above the supply: burn after burn the line is as stiff as pipe up to one and the same pressure.

The bladder lies on its stop until the line has risen to the charge; the pressure of that knee is the charge.
Told from a lost cushion (stiff throughout), from filling after a draw (ends at the supply), friction of the
bladder (a few kPa, the same above every start), a passing valve, a relief valve or a regulator's bypass (softer
than any tank) by where the knee lies and by what the soft part gives. Until burns have risen far enough a stiff
line may be either: so long this says how likely it is, and a lost cushion waits. What a gauge has read counts.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.hidden import Gauged, hidden
from monitor.diagnosis.signs.knee import Knee, Smooth, looks
from monitor.diagnosis.signs.meeting import FAR, LEAST, Charge, meetings, probability_of, weighed
from monitor.diagnosis.signs.refilled import Refilled
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY
from monitor.estimation.burns import Burn, Hour, Mark
from monitor.estimation.plant import Plant
from monitor.estimation.rest import Line
from monitor.site import HeaterKind, Site, Visit, VisitAction

_KEPT: Final = 80  # stretches
_MEMORY: Final = 10.0 * DAY
_APART: Final = 0.15  # of the supply: line and site file agree
_APART_LEAST: Final = 15e3  # Pa
_UNNAMED: Final = 0.9  # most that a charge is suspected of before enough knees have met
_NEWS: Final = 0.01
_READ: Final = 20e3  # Pa around a gauge reading in which a knee confirms it
_ONCE: Final = 2  # knees that confirm a reading


class ChargeHigh:
    """Looks for a knee that stays at one pressure above the supply."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._speaker, self._plant = Speaker(site), plant
        self._loop = site.heater.kind is HeaterKind.LOOP
        self._stated = site.precharge if self._loop else site.supply
        self._street = Refilled()
        self._seen: list[Knee | Smooth] = []
        self._claimed: float | None = None
        self._told = 0.0  # the last suspicion
        self._gauged = None if site.precharge is None else Gauged(site.precharge)
        self._usual = plant.charge_target

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; burns show knees, hours the street."""
        if scene.line is None:
            return []
        if isinstance(mark, Hour):
            self._street.hour(mark.rows, scene.line.noise)
        if not isinstance(mark, Burn):
            return []
        seen = looks(mark.rows, mark.tail, scene.lag.seconds, scene.line.noise, self._plant)
        if not seen:
            return []
        self._seen = [s for s in [*self._seen, *seen][-_KEPT:] if s.at >= mark.at - _MEMORY]
        bends = any(isinstance(s, Knee) for s in seen)
        news = self._claimed is not None or bends
        return (self._weigh(bends=bends) if news else []) or self._suspected(scene.line, mark.at)

    def visit(self, visit: Visit) -> None:
        """Forget the knees: the charge may be another now."""
        if visit.precharge is not None:
            self._gauged = Gauged(visit.precharge)
        elif visit.action in {VisitAction.REFILLED, VisitAction.REPLACED}:
            self._gauged = None
        self._seen = []

    def _suspected(self, line: Line, at: float) -> list[Opinion]:
        """Return how likely it is that a stiff line has its charge above what burns have reached, nothing if named."""
        if self._claimed is not None:
            return []
        reference = self._reference(math.inf if self._gauged is None else self._gauged.pressure)
        if reference is None:
            reference = line.level + line.spread
        likely = min(hidden(self._seen, reference, self._gauged, self._plant), _UNNAMED)
        if abs(likely - self._told) < _NEWS:
            return []
        self._told = likely
        return [Opinion(Fault.AIR_CHARGE_HIGH, likely, at, Severity.MEDIUM, "")]

    def _reference(self, pressure: float) -> float | None:
        """Return what a charge may be [Pa] that may lie at ``pressure``: the street, or what a loop's file states."""
        if self._loop:
            return self._stated
        starts = [s.start if isinstance(s, Knee) else s.low for s in self._seen]
        street = self._street.below(pressure, starts)
        if street is None:
            return None
        self._usual = street.usual
        stated = self._stated
        if stated is not None and abs(stated - street.usual) <= _APART * stated + _APART_LEAST:
            return max(street.high, stated)
        return street.high

    def _weigh(self, *, bends: bool) -> list[Opinion]:
        """Return an opinion where knees meet at a pressure above the supply, or where they do so no longer."""
        if self._claimed is not None:
            return self._again(self._claimed, bends=bends)
        for middle in meetings(self._seen):
            reference = self._reference(middle)
            if reference is None or middle <= reference:
                continue
            read = self._gauged is not None and abs(middle - self._gauged.pressure) < _READ
            charge = weighed(self._seen, middle, reference, self._plant, read=read)
            probability = probability_of(charge, reference)
            if probability >= CERTAIN and charge.knees >= (_ONCE if read else LEAST):
                self._claimed, self._told = charge.pressure, probability
                return [self._opinion(charge, reference, probability)]
        return []

    def _again(self, claimed: float, *, bends: bool) -> list[Opinion]:
        reference = self._reference(claimed)
        if reference is None:
            return []
        # A charge that slowly falls takes its knee along.
        near = [m for m in meetings(self._seen) if m > reference]
        middle = min(near, key=lambda m: abs(m - claimed), default=claimed)
        middle = middle if abs(middle - claimed) < FAR else claimed
        charge = weighed(self._seen, middle, reference, self._plant)
        probability = probability_of(charge, reference)
        if probability < CLEARED and charge.knees + charge.against >= LEAST:
            self._claimed, self._told = None, probability
            return [self._opinion(charge, reference, probability)]
        self._claimed = middle
        # It has been told: what is new is the charge.
        return [replace(self._opinion(charge, reference, probability), seen="")] if bends else []

    def _opinion(self, charge: Charge, reference: float, probability: float) -> Opinion:
        return Opinion(
            Fault.AIR_CHARGE_HIGH,
            probability,
            charge.since,
            Severity.MEDIUM,
            self._words(charge),
            evidence(charge, reference, self._plant),
            (charge.pressure, charge.sd),
        )

    def _words(self, charge: Charge) -> str:
        say = self._speaker
        middle, half = charge.pressure, 1.645 * charge.sd
        estimate = say.interval(middle - half, middle, middle + half)
        over = (
            f"the charge of {say.pressure(self._stated)} that the site file gives"
            if self._loop and self._stated is not None
            else f"the supply, {say.pressure(self._usual)} after draws"
        )
        against = f", {charge.against} burns did not show it" if charge.against else ""
        return (
            f"Since {say.moment(charge.since)} or earlier the line rises as steeply as pipe without a tank, and at "
            f"{say.pressure(middle)} bends and gives {charge.stiff / charge.soft:.0f} times as much: in {charge.knees} "
            f"burns at the same pressure{against}. Up to there the bladder lies on its stop: the air charge is about "
            f"{estimate}, above {over}. A lost cushion would not bend, filling after a draw ends at the supply, and "
            "friction of a bladder is a few kPa above every start. Readings cannot tell a high air charge from a "
            "valve towards the tank that opens late. Test: relieve the water side and gauge the air valve."
        )


def evidence(charge: Charge, reference: float, plant: Plant) -> dict[str, float | str | None]:
    """Return the numbers, for and against: kPa gauge, kPa per litre."""
    return {
        "charge_by_knee_kpa": round(charge.pressure / 1e3, 2),
        "charge_by_knee_sd_kpa": round(charge.sd / 1e3, 2),
        "reference_kpa": round(reference / 1e3, 2),
        "target_kpa": round(plant.charge_target / 1e3, 2),
        "knees": charge.knees,
        "stretches_against": charge.against,
        "stiff_kpa_per_litre": round(charge.stiff / 1e6, 2),
        "soft_kpa_per_litre": round(charge.soft / 1e6, 2),
        "soft_expected_kpa_per_litre": round(charge.soft_expected / 1e6, 2),
        "relief_setting_kpa": None if plant.relief is None else round(plant.relief / 1e3, 2),
    }
