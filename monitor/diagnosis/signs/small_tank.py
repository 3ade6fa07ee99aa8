"""A tank that is too small: rightly charged, a full recovery from cold would still near the relief setting.

Charged to the supply a tank takes most: with less air it is full sooner, with more it opens later. So where the
tank on the plate would let a recovery come too far with the charge that it should have, it does so with any. That
has an uncertainty, and must be very likely day after day. What was measured must not be more than such a tank can
hold, or the plate (or another tank that nobody mentioned) is in question; a low charge is named as such.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.facts import NINETY, Facts
from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.limits import LOW_SHARE, NEAR_RELIEF
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.refilled import Refilled
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.errors import CushionwatchError
from monitor.estimation.belief import DAY, normal_cdf
from monitor.estimation.burns import Burn, Hour, Mark
from monitor.estimation.plant import Plant
from monitor.estimation.windows import Kind
from monitor.site import HeaterKind, Site, Visit
from monitor.sizing.case import Case, Part, PresentTank, Use
from monitor.sizing.result import Sizing
from monitor.sizing.size import size
from monitor.units import from_si

_LEAST_DAYS: Final = 4.0  # over which it must have been very likely
_LEAST_WINDOWS: Final = 10
_MOST: Final = 0.98
_WAVERS: Final = 0.85  # between burns that make it certain
_FULL: Final = 1.3  # measured air over that of a tank as on the plate, rightly charged: no more
_RIGHT_LIKELY: Final = 0.8
_WARMED: Final = 0.97  # of the heater's water: some at the bottom stays cold
_GROWTH_SD: Final = 0.06  # relative: volume on the plate 3 %, share that is warmed 4 %, cold water ±5 K 3 %
_PER_KELVIN: Final = 0.036  # of the growth by a kelvin at the setpoint, about 54 °C
_SETPOINT_SD: Final = 1.5  # K: ±2.5 K of thermostat, rectangular
_SETPOINT_GUESS_SD: Final = 3.5  # K
_PLATE_SD: Final = 0.03  # of the air: volume of the tank 1.5 %, its gauge
_SUPPLY_SD: Final = 0.02
_SUPPLY_LEAST: Final = 5e3  # Pa


@dataclass(frozen=True, slots=True)
class Weighed:
    """Probabilities that a full recovery comes near the relief setting: as it is, and with the right charge.

    ``fits``: probability that the measured air is no more than that of the plate; ``supply`` [gauge Pa] as found.
    """

    now: float
    charged: float
    fits: float
    supply: float

    @property
    def probability(self) -> float:
        """Return the probability that the tank is too small."""
        return min(self.charged, _MOST)


class SmallTank:
    """Asks after each burn whether the tank is too small; answers when it has been so for days."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._site, self._plant, self._speaker = site, plant, Speaker(site)
        self._loop = site.heater.kind is HeaterKind.LOOP
        # No guess may accuse a tank.
        known = (site.relief, site.heater.volume, site.tank_volume, site.supply)
        self._asked = None not in known[: 4 if self._loop else 3]
        self._street = Refilled()
        self._since: float | None = None
        self._windows = 0

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark."""
        if not self._asked or scene.line is None:
            return []
        if isinstance(mark, Hour):
            self._street.hour(mark.rows, scene.line.noise)
        rises = sum(window.kind is Kind.RISE for window in scene.windows)
        if not isinstance(mark, Burn) or rises == 0:
            return []
        seen = self._weigh(scene.facts)
        if seen.probability < CLEARED:
            self._forget()
            return [self._opinion(seen, scene.facts, mark.at, None)]
        if seen.probability < _WAVERS or not self._trusted(seen, scene.facts):
            self._forget()
        if seen.probability < CERTAIN or scene.facts.contradicted or not self._trusted(seen, scene.facts):
            return []
        self._since = mark.at if self._since is None else self._since
        self._windows += rises
        if self._windows < _LEAST_WINDOWS or mark.at - self._since < _LEAST_DAYS * DAY:
            return []
        needed = self._size(seen.supply)
        return [] if needed is None else [self._opinion(seen, scene.facts, self._since, needed)]

    def visit(self, visit: Visit) -> None:
        """Begin anew: the charge may be another now."""
        del visit
        self._forget()

    def _forget(self) -> None:
        self._since, self._windows = None, 0

    def _trusted(self, seen: Weighed, facts: Facts) -> bool:
        doubtful = facts.erratic or facts.supply_differs
        # Where the tank is small even a charge near its target lets a recovery come too far: no low charge yet.
        low = facts.charge < LOW_SHARE * facts.target
        other = low or max(facts.suspicion.lost, facts.suspicion.leaking) >= 0.5
        return seen.fits >= _RIGHT_LIKELY and not doubtful and not other

    def _weigh(self, facts: Facts) -> Weighed:
        plant = self._plant
        supply = facts.supply
        if self._loop and self._site.supply is not None:
            supply = self._site.supply  # a loop at rest is warm
        else:
            supply = min(supply, self._street.usual(supply))
        measured, sd = measured_air(facts, plant)
        plate = plant.air_nominal
        setpoint = _SETPOINT_GUESS_SD if self._site.heater.setpoint is None else _SETPOINT_SD
        grown = (_WARMED * plant.full_recovery, math.hypot(_GROWTH_SD, _PER_KELVIN * setpoint))
        give = (facts.elastic, facts.elastic_sd)
        return Weighed(
            near(plant, supply, (measured, sd), 0.0, grown, give),
            near(plant, supply, (plate, _PLATE_SD), plant.charge_target, grown, give),
            normal_cdf(math.log(_FULL * plate / measured) / sd),
            supply,
        )

    def _size(self, supply: float) -> Sizing | None:
        """Return the tank that this site needs, None where sizing finds the present one large enough, or no room."""
        site, plant = self._site, self._plant
        volume, there = site.heater.volume, site.tank_volume
        if volume is None or there is None:
            return None
        case = Case(
            use=Use.HEATING if self._loop else Use.DOMESTIC,
            parts=(Part(volume),),
            hot=plant.setpoint,
            fluid=plant.fluid,
            supply=supply,
            relief=site.relief,
            altitude=site.altitude,
            present=PresentTank(there),
        )
        try:
            found = size(case)
        except CushionwatchError:
            return None
        return found if found.exact > there else None

    def _opinion(self, seen: Weighed, facts: Facts, since: float, needed: Sizing | None) -> Opinion:
        words = "" if needed is None else self._words(facts, since, needed)
        numbers = evidence(seen, facts, self._plant, needed)
        return Opinion(Fault.TANK_UNDERSIZED, seen.probability, since, Severity.MEDIUM, words, numbers)

    def _words(self, facts: Facts, since: float, needed: Sizing) -> str:
        say, plant = self._speaker, self._plant
        estimate = say.interval(facts.charge_low, facts.charge, facts.charge_high)
        relief = say.pressure(facts.relief_setting or 0.0)
        return (
            f"The air charge, about {estimate}, is near the {say.pressure(plant.charge_target)} that it should be, but "
            f"in every estimate since {say.moment(since)} a full recovery from cold would come within 10 % of the "
            f"relief setting: to about {say.pressure(facts.peak)} (relief valve {relief}). The tank is too small: for "
            f"this heater and supply the smallest that does is {self._volume(needed.exact)}, so fit "
            f"{self._volume(needed.advised.volume)} or more in place of {self._volume(plant.tank_volume)}, never a "
            "smaller one. The air that was measured fits the tank of the site file. Readings cannot tell the "
            "heater's volume and setpoint: compare its plate with the site file before a tank is ordered."
        )

    def _volume(self, cubic_metres: float) -> str:
        litres = f"{cubic_metres * 1000.0:.1f} L"
        if self._site.unit != "psi":
            return litres
        return f"{from_si(cubic_metres, 'gal', 'volume'):.1f} US gal ({litres})"


def measured_air(facts: Facts, plant: Plant) -> tuple[float, float]:
    """Return the measured air [J] and its relative standard uncertainty."""
    low, middle, high = (plant.air_of(c) for c in (facts.charge_low, facts.charge, facts.charge_high))
    return middle, max(math.log(high / low) / (2.0 * NINETY), 0.01)


Uncertain = tuple[float, float]
"""A value and its relative standard uncertainty."""


def near(
    plant: Plant, supply: float, air: Uncertain, charge: float, grown: Uncertain, give: Uncertain
) -> float:
    """Return the probability that a full recovery from ``supply`` comes near the relief setting.

    It does where the water grows by more than air and line take up to there: linear in growth, air and give.

    Parameters
    ----------
    plant : Plant
        With a relief setting.
    supply, charge : float
        Gauge pressures [Pa]; below ``charge`` the tank takes nothing.
    air, grown, give : tuple of float
        Air [J], growth [m³] and give of the line [m³/Pa], this one lognormal, each with its relative sd.
    """
    if plant.relief is None:
        return 0.0
    p1, p2 = supply + plant.atmosphere, NEAR_RELIEF * plant.relief + plant.atmosphere
    if p2 <= p1:
        return 1.0
    opens = min(max(p1, charge + plant.atmosphere), p2)
    # Mean and sd of a lognormal distribution.
    factor = math.exp(give[1] ** 2)
    elastic = give[0] * math.sqrt(factor)
    by_air, by_line = air[0] * (1.0 / opens - 1.0 / p2), elastic * (p2 - p1)
    sd = math.hypot(
        grown[0] * grown[1],
        by_air * air[1],
        by_line * math.sqrt(factor - 1.0),
        (air[0] / (p1 * p1) + elastic) * max(_SUPPLY_SD * supply, _SUPPLY_LEAST),
    )
    return normal_cdf((grown[0] - by_air - by_line) / sd)


def evidence(
    seen: Weighed, facts: Facts, plant: Plant, needed: Sizing | None
) -> dict[str, float | str | None]:
    """Return the numbers, for and against: probabilities, litres, kPa gauge."""
    return facts.evidence() | {
        "nears_relief_as_it_is": round(seen.now, 3),
        "nears_relief_rightly_charged": round(seen.charged, 3),
        "air_fits_plate": round(seen.fits, 3),
        "supply_after_draws_kpa": round(seen.supply / 1e3, 2),
        "tank_litres": round(plant.tank_volume * 1e3, 2),
        "smallest_tank_litres": None if needed is None else round(needed.exact * 1e3, 2),
        "advised_tank_litres": None if needed is None else round(needed.advised.volume * 1e3, 2),
        "sized_between_kpa": None
        if needed is None
        else f"{needed.supply / 1e3:.0f} to {needed.highest / 1e3:.0f}",
    }
