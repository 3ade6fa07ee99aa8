"""Whether water is lost: a line that sinks below its supply, or a heating loop whose filling goes down."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.after import thinned
from monitor.diagnosis.signs.filling import Filling, Trend
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.signs.sunk import Sinking
from monitor.diagnosis.signs.topping import added
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import normal_cdf
from monitor.estimation.burns import Hour, Mark
from monitor.estimation.plant import Plant
from monitor.site import HeaterKind, Site, Visit

_KPA: Final = 1000.0
_LEAST_FALL: Final = 10e3  # Pa, that the water lost would let the pressure fall
_LEAST_SHARE: Final = 0.05  # of the absolute pressure
_BLUNT: Final = 0.0075  # of the loop's water: what 15 K change, where no temperature is measured
_SHARP: Final = 0.001
_MOST: Final = 0.98


class Loss:
    """Looks for lost water in a line behind a shut valve, and in a loop that nothing refills."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._speaker, self._plant = Speaker(site), plant
        self._loop = site.heater.kind is HeaterKind.LOOP
        self._volume = site.heater.volume if site.heater.volume is not None else 0.15
        self._sinking = Sinking()
        self._filling = Filling()
        self._swelling = np.asarray(plant.fluid.swelling(1.0, np.arange(1.0, 96.0))) * self._volume

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark."""
        if self._loop:
            return self._filled(mark, scene) if isinstance(mark, Hour) else []
        sunk = self._sinking.take(mark, scene)
        return [] if sunk is None else [self._sunk(*sunk)]

    def visit(self, visit: Visit) -> None:
        """Forget what was counted: somebody had the system open."""
        del visit
        self._filling.clear()
        self._sinking.clear()

    def _sunk(self, probability: float, since: float, evidence: dict[str, float | str | None]) -> Opinion:
        say = self._speaker
        usual = float(evidence["usual_kpa"] or 0.0) * _KPA
        seen = (
            f"Since {say.moment(since)} the line sinks below what the supply gave all week "
            f"({say.pressure(usual)}), and nothing comes in. Each burn brings the pressure up, but it is gone much "
            "sooner than cooling would take it, or lower from burn to burn: water leaves the line. That nothing "
            "comes in speaks for a shut valve or a failed supply. Readings cannot tell where it leaves, nor whether "
            "somebody drained it on purpose. Test: open the supply with all taps shut and watch the water meter."
        )
        return Opinion(Fault.WATER_LOSS, probability, since, Severity.MEDIUM, seen, evidence)

    def _filled(self, mark: Hour, scene: Scene) -> list[Opinion]:
        rows = thinned(mark.rows)
        if len(rows) < 10 or scene.line is None:
            return []
        p = rows.pressure * _KPA + self._plant.atmosphere
        self._filling.add(added(rows, scene.line.noise, self._plant))
        warm = rows.temperature[np.isfinite(rows.temperature)]
        mean = float(warm.mean()) if 2 * len(warm) > len(rows) else float("nan")
        on = rows.heater > 0.5
        swing = float(np.quantile(p, 0.95) - np.quantile(p, 0.05))
        if not self._filling.hour(mark.at, float(np.median(p)), mean, float(on.mean()), swing):
            return []
        trend = self._filling.trend(self._plant.air_nominal, self._swelling)
        return [] if trend is None else self._judged(trend)

    def _judged(self, trend: Trend) -> list[Opinion]:
        """Return an opinion where the trend is certain, or where there is none any more."""
        air = self._plant.air_nominal
        least = max(_LEAST_FALL, _LEAST_SHARE * trend.first) * air / trend.first**2
        least = max(least, (_SHARP if trend.measured else _BLUNT) * self._volume)
        falls = float(normal_cdf((trend.lost - least) / max(trend.sd, 1e-9)))
        probability = min(falls * trend.water, _MOST)
        return [
            Opinion(
                Fault.WATER_LOSS,
                probability,
                trend.since,
                Severity.MEDIUM,
                self._fallen(trend),
                self._numbers(trend),
            )
        ]

    def _fallen(self, trend: Trend) -> str:
        say, outside = self._speaker, self._plant.atmosphere
        times = self._filling.times
        topped = f" It was topped up {times} times meanwhile." if times > 0 else ""
        how = "its temperature" if trend.measured else "how much it was heated"
        return (
            f"Since {say.date(trend.since)} the filling pressure has gone from {say.pressure(trend.first - outside)} "
            f"to {say.pressure(trend.last - outside)}; {how} taken into account, about {1e3 * trend.lost:.1f} L are "
            f"missing after {trend.days:.0f} days.{topped} Either the loop loses water or its tank loses air: the "
            "level shows both alike, how it answers to warming speaks for water. Test: relieve the tank's water "
            "side and gauge its air; if it is as it was filled, look for the leak, and at the relief valve's outlet."
        )

    def _numbers(self, trend: Trend) -> dict[str, float | str | None]:
        return {
            "litres_lost": round(1e3 * trend.lost, 3),
            "litres_lost_sd": round(1e3 * trend.sd, 3),
            "days": round(trend.days, 1),
            "first_kpa": round((trend.first - self._plant.atmosphere) / _KPA, 2),
            "last_kpa": round((trend.last - self._plant.atmosphere) / _KPA, 2),
            "topped_up_times": self._filling.times,
            "topped_up_litres": round(1e3 * self._filling.added, 3),
            "water_rather_than_air": round(trend.water, 3),
            "slope_exponent": None if np.isnan(trend.exponent) else round(trend.exponent, 2),
        }
