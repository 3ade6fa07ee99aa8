"""Whether the charge may lie above all that burns have reached: a stiff line alone does not tell.

Below its charge a tank takes nothing: a line that rises like pipe has lost its cushion, or has not come up to it
yet. How likely the second is follows from what a gauge has read, how far a stiff line has been seen to rise, bends
that fit the tank, and soft stretches, which no such line has. Pressures gauge [Pa], slopes [Pa/m³].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.signs.knee import Knee, Smooth
from monitor.diagnosis.signs.meeting import ABOVE_LEAST, FAR, counted, enough, fits_tank, soft_expected
from monitor.estimation.belief import normal_cdf
from monitor.estimation.plant import Plant

_PRIOR: Final = math.log(1.0 / 3.0)  # odds of a high charge against a lost cushion, no gauge: no source
_SCALE: Final = 0.25  # of the street: how far too high charges lie above it, exponential (no source)
_GAUGE_SD: Final = 10e3  # Pa: hand gauge and sensor, each 5 kPa or better, and the street of the day
_SURE: Final = math.log(100.0)  # of a gauge: somebody may have been at the valve since
_STIFF: Final = 4.0  # times the slope of a tank that is open
_KNEE: Final = math.log(5.0)  # odds by a bend that fits the tank where a lost cushion had none
_SOFT: Final = math.log(5.0)  # odds by a stretch too soft for pipe
_PIPE: Final = 0.8  # of the least slope that a line without a tank may have
_GIVE: Final = 2.0  # standard deviations of the line's give
_SPAN: Final = 15e3  # Pa of a stretch that says so
_TOO_FAR: Final = 50.0  # most that odds are counted to, logarithm


@dataclass(frozen=True, slots=True)
class Gauged:
    """A gauge reading of the tank [Pa]: at a visit, or as the site file says."""

    pressure: float

    def above(self, street: float) -> float:
        """Return the probability that it was above what a charge may be over ``street``."""
        return normal_cdf((self.pressure - enough(street)) / _GAUGE_SD)


def hidden(seen: list[Knee | Smooth], street: float, gauged: Gauged | None, plant: Plant) -> float:
    """Return the probability that a line which looks stiff has its charge above what it has reached."""
    knees = [k for k in seen if isinstance(k, Knee)]
    smooth = [s for s in seen if isinstance(s, Smooth)]
    soft = soft_expected(plant, street)
    stiff = [_shut_up_to(s, plant) for s in smooth if s.slope > _STIFF * soft]
    reach = max([street, *stiff])
    bends = [k for k in knees if _could_be(k, street, reach, plant)]
    opens = max([*stiff, *(k.pressure for k in bends)], default=math.inf)
    denying = [s for s in smooth if _no_pipe(s, opens, plant)]
    odds = (
        _first(reach, street, gauged)
        + _KNEE * counted([k.at for k in bends])
        - _SOFT * counted([s.at for s in denying])
    )
    return 1.0 / (1.0 + math.exp(min(max(-odds, -_TOO_FAR), _TOO_FAR)))


def _first(reach: float, street: float, gauged: Gauged | None) -> float:
    """Return the log odds by the gauge and by how far a stiff line has risen."""
    beyond = max(reach - street, 0.0)
    odds = _PRIOR
    if gauged is not None:
        above = gauged.above(street)
        odds = min(max(math.log(max(above, 1e-9) / max(1.0 - above, 1e-9)), -_SURE), _SURE)
        if odds > 0.0:
            left = normal_cdf((gauged.pressure + _GAUGE_SD - reach) / _GAUGE_SD)
            return odds + math.log(max(left, 1e-9))
    return odds - beyond / (_SCALE * max(street, 1.0))


def _could_be(knee: Knee, street: float, reach: float, plant: Plant) -> bool:
    """Whether a bend may be the charge: above the street, no stiff stretch through it, soft as the tank."""
    return (
        knee.pressure > max(street + ABOVE_LEAST, reach - FAR)
        and knee.sd < FAR
        and fits_tank(knee.soft, soft_expected(plant, knee.pressure), plant)
    )


def _steepest(pressure: float, plant: Plant) -> float:
    """Return the steepest [Pa/m³] that a line with its tank open at ``pressure`` may be."""
    return soft_expected(plant, pressure) * math.exp(2.0 * plant.scale_sd)


def _shut_up_to(seen: Smooth, plant: Plant) -> float:
    """Return the pressure up to which a stretch shows no tank: had it opened below, the line would not be up there."""
    grown = (seen.high - seen.low) / seen.slope
    return max(seen.high - _steepest(0.5 * (seen.low + seen.high), plant) * grown, seen.low)


def _no_pipe(seen: Smooth, opens: float, plant: Plant) -> bool:
    """Whether the part of a stretch below where the tank may open is softer than pipe."""
    high = min(seen.high, opens)
    grown = (seen.high - seen.low) / seen.slope - (seen.high - high) / soft_expected(plant, seen.high)
    if high - seen.low < max(_SPAN, FAR) or grown <= 0.0:
        return False
    least = _PIPE / (plant.elastic * math.exp(_GIVE * plant.elastic_sd))
    return (high - seen.low) / grown < max(least, _steepest(high, plant))
