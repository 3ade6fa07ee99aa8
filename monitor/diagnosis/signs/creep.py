"""A pressure reducing valve whose seat leaks: between draws the line climbs towards the street's pressure.

What makes a line climb without heat, and what tells it apart from a leaking seat:

- the supply, which the check valve lets in and keeps: a line that climbs on it is at the supply, so a draw
  minutes later falls to the level at which it climbed. A leaking seat fills from the street, the valve's own
  outlet stands lower: the draw falls to the set pressure, the same again each time;
- gas that a draw has cooled, and cold water that warms in the pipes: over within the hour, little water;
- heat that nobody reports, a warm room: not after every draw, not at every hour; a leaking seat never rests.

So each rest that a draw ended speaks for it (still climbing, or at the usual top, well above the supply as seen
after that draw) or against it (standing still below that top), and days of them are weighed together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import Final

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.rested import SETTLING, Ended, ended
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY
from monitor.estimation.plant import Plant
from monitor.estimation.supply import POINT, Drawn, Rest

_WITHIN: Final = 1800.0  # s after a draw in which the supply is taken to be what it was during the rest's end
_LATEST: Final = 7200.0  # s: the same, if it is taken to have fallen as fast as a town's supply may
_FALLS: Final = 30e3 / 3600.0  # Pa/s; networks swing by 20 to 70 kPa in six hours
_GAS: Final = 0.35  # of a fall comes back as the gas warms up again: (kappa - 1)/kappa of air is 0.29
_LEAST: Final = 10e3  # Pa above the supply
_YOUNG: Final = 2.0  # times that, and what the gas gives back, in a rest in which it has not settled
_WANDERS: Final = 2.0  # times what the levels after draws are apart, four in five times
_FEW: Final = 5
_LATE: Final = 3e3  # Pa of climb after the gas has settled
_WATER: Final = 0.7e-3  # of the heater's volume: pipes of a third of it, warmed by 10 K, make half of that
_CLIMB: Final = 1e3  # Pa in half an hour: least climb that is one
_SURE: Final = 4.0  # standard deviations of a climb
_STILL: Final = 0.3  # of the usual rate of climb: the most that is none
_BELOW: Final = 0.4  # of the usual climb below its top: where a leaking seat would still fill
_SPEAKS: Final = 1.3  # log odds of a rest that climbs, doubled where it stands far above the supply
_AGAINST: Final = 1.5
_PRIOR: Final = -6.0  # log odds: one valve in four hundred at a time
_DAYS: Final = 3  # on which climbs were seen
_KEPT: Final = 40
_A_DAY: Final = 6
_KEEP: Final = 8 * DAY
_KPA: Final = 1000.0


@dataclass(frozen=True, slots=True)
class _Seen:
    """What is kept of a rest: its end, how far it stood above the supply, climb and rate [Pa, Pa/s], what it says."""

    start: float
    end: float
    level: float
    supply: float
    rate: float
    rate_sd: float
    climbs: bool
    full: bool
    weight: float

    @property
    def excess(self) -> float:
        """How far the line stood above the supply that was seen around it. [Pa]."""
        return self.level - self.supply


class Creep:
    """Weighs the rests of a week."""

    def __init__(self, plant: Plant, volume: float, speaker: Speaker) -> None:
        self._plant, self._volume, self._speaker = plant, volume, speaker
        self._waiting: list[Ended] = []
        self._drawn: list[Drawn] = []
        self._seen: list[_Seen] = []
        self._apart: list[float] = []  # Pa, between the levels after draws that follow each other
        self._told = 0.0

    def take(
        self, drawn: list[Drawn], rests: list[Rest], every: float, scene: Scene, at: float
    ) -> list[Opinion]:
        """Take what an hour has completed; ``every``: seconds between rows."""
        if scene.line is None:
            return []
        noise = scene.line.noise
        self._waiting += [ended(rest, noise, every) for rest in rests]
        self._note(drawn)
        before = len(self._seen)
        while self._waiting and self._waiting[0].end + _LATEST < at:
            rest = self._waiting.pop(0)
            self._seen.append(self._judged(rest, self._supply_after(rest.end), scene))
        self._drawn = [d for d in self._drawn if d.at > at - 2.0 * _LATEST]
        if len(self._seen) == before:
            return []
        self._thin(at)
        return self._opinion(at)

    def _thin(self, at: float) -> None:
        """Keep the longest rests of each of the last days."""
        today = [one for one in self._seen if one.end // DAY == self._seen[-1].end // DAY]
        if len(today) > _A_DAY:
            shortest = min(today, key=lambda one: one.end - one.start)
            self._seen = [one for one in self._seen if one is not shortest]
            self._thin(at)
        self._seen = [one for one in self._seen if one.end > at - _KEEP]

    def _note(self, drawn: list[Drawn]) -> None:
        """Keep levels after draws, and how far they are from the one before."""
        for one in drawn:
            last = self._drawn[-1] if self._drawn else None
            if last is not None and one.at - last.at < 2 * _WITHIN and not (one.heated or last.heated):
                self._apart = [*self._apart[1 - _KEPT :], abs(one.level - last.level)]
            self._drawn.append(one)

    def _judged(self, rest: Ended, after: float, scene: Scene) -> _Seen:
        """Return what a rest says; the supply ``after`` it is NaN where it was not seen."""
        supply = after if math.isnan(rest.before) else max(after, rest.before)
        excess = rest.level - supply  # NaN says nothing
        least = max(_LEAST, self._least(rest.level, scene), self._wander())
        young = rest.end - rest.start < SETTLING + POINT
        late = young or rest.level - rest.settled >= _LATE
        needed = _YOUNG * least + _GAS * rest.fell if young else least
        rises = rest.rise >= max(_CLIMB * rest.span / 1800.0, _SURE * rest.rise_sd)
        climbs = rises and rest.steady and late and excess >= needed
        top = _YOUNG * least + _GAS * rest.fell
        filled = rest.level - max(rest.first, supply)
        full = not climbs and not math.isnan(rest.before) and excess >= top and filled >= _LEAST
        weight = _SPEAKS * min(excess / needed, 2.0) if climbs else _SPEAKS
        return _Seen(
            rest.start, rest.end, rest.level, supply, rest.rise / rest.span, rest.rise_sd / rest.span,
            climbs, full, weight,
        )  # fmt: skip

    def _supply_after(self, end: float) -> float:
        """Return the most that the supply can have been at ``end``, by the draws after it; NaN without any."""
        near = [d.level for d in self._drawn if end < d.at <= end + _WITHIN]
        if near:
            return max(near)
        far = next((d for d in self._drawn if end < d.at <= end + _LATEST), None)
        return math.nan if far is None else far.level + _FALLS * (far.at - end)

    def _wander(self) -> float:
        """Return how far the supply may move while a draw lasts [Pa], from levels an hour apart at most."""
        return (
            _WANDERS * sorted(self._apart)[4 * len(self._apart) // 5] if len(self._apart) >= _FEW else _LEAST
        )

    def _least(self, level: float, scene: Scene) -> float:
        """Return the climb [Pa] above which more water came in than cold pipes make by warming."""
        give = (
            self._plant.air_of(scene.facts.charge) / (level + self._plant.atmosphere) ** 2
            + self._plant.elastic
        )
        return _WATER * self._volume / give

    def _opinion(self, at: float) -> list[Opinion]:
        """Return what the rests of the last days say together."""
        climbing = [one for one in self._seen if one.climbs]
        if not climbing and self._told < 0.01:
            return []
        odds, speaking, against = self._weighed(climbing)
        probability = 1.0 / (1.0 + math.exp(-min(odds, 8.0)))
        if len({one.end // DAY for one in speaking}) < _DAYS:
            probability = min(probability, 0.9)
        self._told = probability
        if not speaking:
            return [Opinion(Fault.REGULATOR_CREEP, probability, at, Severity.MEDIUM, "")]
        return [self._say(probability, speaking, against)]

    def _weighed(self, climbing: list[_Seen]) -> tuple[float, list[_Seen], int]:
        """Return log odds, the rests that speak for a leaking seat since it has become likely, how many against.

        Rests are taken in their order, and what spoke against a leak before it began is forgotten.
        """
        rate = median([one.rate for one in climbing]) if climbing else 0.0
        top = median([one.level for one in climbing]) if climbing else math.inf
        gain = median([one.excess for one in climbing]) if climbing else 0.0
        odds, speaking, against = _PRIOR, list[_Seen](), 0
        for one in self._seen:
            if one.climbs or (one.full and climbing):
                odds += one.weight
                speaking.append(one)
            elif one.rate + 2.0 * one.rate_sd < _STILL * rate and one.level < top - _BELOW * gain:
                odds -= _AGAINST
                against += 1
            if odds <= _PRIOR:
                odds, speaking, against = _PRIOR, [], 0
        return odds, speaking, against

    def _say(self, probability: float, speaking: list[_Seen], against: int) -> Opinion:
        show = self._speaker
        supply = median([one.supply for one in speaking])
        top = median([one.level for one in speaking])
        rates = [one.rate for one in speaking if one.climbs]
        rate = 3600.0 * (median(rates)) if rates else 0.0
        other = f" {against} rests stood still, which speaks against it." if against else ""
        seen = (
            f"Since {show.moment(speaking[0].start)} the line has climbed {len(speaking)} times with no draw and no "
            f"heat, at about {show.pressure(rate)} an hour in the end, and stood near {show.pressure(top)} when the "
            f"next draw let it fall back to about {show.pressure(supply)}: the supply itself does not stand that "
            f"high.{other} From the line alone the seat of the reducing valve and a second way in past it (an open "
            "bypass, a mixing tap that joins cold and warm) look the same: close the valve's outlet and watch a "
            "gauge behind it at rest."
        )
        evidence: dict[str, float | str | None] = {
            "climbs": len(speaking),
            "still": against,
            "supply_kpa": round(supply / _KPA, 2),
            "top_kpa": round(top / _KPA, 2),
            "climb_kpa_per_hour": round(rate / _KPA, 2),
        }
        return Opinion(Fault.REGULATOR_CREEP, probability, speaking[0].start, Severity.MEDIUM, seen, evidence)
