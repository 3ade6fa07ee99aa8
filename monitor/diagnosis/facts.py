"""The numbers behind a finding, taken once so that words and evidence cannot differ."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.limits import Limits, worst_case_peak
from monitor.diagnosis.rules import Suspicion, suspect
from monitor.estimation.belief import ELASTIC, Belief
from monitor.estimation.plant import Plant
from monitor.estimation.trend import crossing

NINETY: Final = 1.6449
"""Standard deviations on either side that hold 90 % of a normal distribution."""

_APART: Final = 0.15  # of the stated supply
_APART_LEAST: Final = 15e3  # Pa
_SUNK: Final = 0.85  # of the level that a loop was filled to; its temperature moves it by half of that
_KPA: Final = 1000.0


@dataclass(frozen=True, slots=True)
class Facts:
    """State of a cushion at one instant; pressures gauge [Pa], ``peak`` infinite where nothing holds it.

    ``elastic``: give of the line [m³/Pa], with its relative sd. ``filled``: highest usual level of a loop at rest
    since it was last filled, 0 for other lines.
    """

    charge: float
    charge_low: float
    charge_high: float
    limit: float
    target: float
    supply: float
    supply_stated: float | None
    filled: float
    peak: float
    relief_setting: float | None
    relief_date: tuple[float, float, float] | None
    percent_a_day: float
    windows: int
    reference: float | None
    change: float
    suspicion: Suspicion
    contradicted: bool
    erratic: bool
    elastic: float
    elastic_sd: float

    @property
    def supply_differs(self) -> bool:
        """Whether the line rests far from what the site file says: another unit, or absolute for gauge."""
        if self.supply_stated is None:
            return False
        return abs(self.supply - self.supply_stated) > _APART * self.supply_stated + _APART_LEAST

    @property
    def sunk(self) -> bool:
        """Whether a loop rests well below where it was filled to."""
        return self.supply < _SUNK * self.filled

    def evidence(self) -> dict[str, float | str | None]:
        """Return the facts in machine units: kPa gauge, per cent, epoch seconds."""
        return {
            "charge_kpa": round(self.charge / _KPA, 2),
            "charge_low_kpa": round(self.charge_low / _KPA, 2),
            "charge_high_kpa": round(self.charge_high / _KPA, 2),
            "limit_kpa": round(self.limit / _KPA, 2),
            "target_kpa": round(self.target / _KPA, 2),
            "supply_kpa": round(self.supply / _KPA, 2),
            "worst_case_peak_kpa": round(self.peak / _KPA, 2) if math.isfinite(self.peak) else None,
            "relief_setting_kpa": None
            if self.relief_setting is None
            else round(self.relief_setting / _KPA, 2),
            "relief_date": None if self.relief_date is None else round(self.relief_date[0]),
            "air_change_percent": round(100.0 * math.expm1(self.change), 2),
            "air_percent_per_day": round(self.percent_a_day, 3),
            "windows": self.windows,
        }


def facts_of(belief: Belief, limits: Limits, plant: Plant, supply: float, highest: float = 0.0) -> Facts:
    """Return the facts that a belief holds for a line resting at ``supply``, once at ``highest`` [gauge Pa]."""
    change = belief.change_since_reference()[0] if belief.reference_time is not None else 0.0
    return Facts(
        charge=plant.charge_gauge(belief.air),
        charge_low=plant.charge_gauge(belief.air_quantile(-NINETY)),
        charge_high=plant.charge_gauge(belief.air_quantile(NINETY)),
        limit=limits.low_charge,
        target=limits.target,
        supply=supply,
        supply_stated=plant.supply,
        filled=highest if plant.loop else 0.0,
        peak=worst_case_peak(plant, supply, belief.air, belief.elastic),
        relief_setting=plant.relief,
        relief_date=None if limits.relief is None else crossing(belief, limits.relief),
        percent_a_day=100.0 * math.expm1(belief.rate()[0]),
        windows=belief.windows,
        reference=belief.reference_time,
        change=change,
        suspicion=suspect(belief, limits),
        contradicted=belief.contradicted,
        erratic=belief.erratic,
        elastic=belief.elastic,
        elastic_sd=math.sqrt(float(belief.covariance[ELASTIC, ELASTIC])),
    )
