"""A relief valve that discharges: heat goes on, the line no longer rises."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.belief import Belief
from monitor.estimation.heat import growth
from monitor.estimation.load import Fall
from monitor.estimation.noise import noise_of
from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray, Samples

OPENS: Final = 0.9
"""Share of the setting (gauge) that a plateau must reach: set pressures vary by 3 % and gauges by as much."""

_RESEATS: Final = 0.75
"""Lowest share of the setting between two openings: valves reseat within 20 % (EN 1491, from memory)."""

_LOAD_MORE: Final = 2.0  # times the fall that was seen: the load of a building doubles in an hour
_SECONDS: Final = 90.0
_ROWS: Final = 3
_CLIMB: Final = 0.3  # of the setting that a burn must have climbed to judge the line by that climb
_SHARE_LEFT: Final = 0.35  # of the rise that a closed line would have shown


@dataclass(frozen=True, slots=True)
class Discharge:
    """Since when (epoch s), at what pressure [gauge Pa], and how much water left by the heat put in [m³]."""

    since: float
    pressure: float
    volume: float


def discharge(
    burn: Samples, lag: float, belief: Belief, plant: Plant, fall: Fall | None = None
) -> Discharge | None:
    """Return the discharge that the rows of a burn (and of its tail) show up to now, or None.

    A valve holds the line in a band below its setting (plateau or saw-tooth) while the heat of the same
    time, on its way through metal for ``lag`` seconds, would have raised a closed line by a multiple of
    what was seen. A loop's load may take that heat: as much as its line falls without a burner, ``fall``, and as
    much again, is not expected; nothing is said before that was seen.
    """
    if plant.relief is None or (plant.loop and fall is None):
        return None
    near = np.flatnonzero(burn.pressure * 1e3 >= OPENS * plant.relief)
    if len(near) == 0:
        return None
    first = int(near[0])
    rest = burn.between(first, len(burn))
    left = np.flatnonzero(rest.pressure * 1e3 < _RESEATS * plant.relief)
    if len(left):  # a draw has taken the pressure away; what came before it counts
        rest = rest.between(0, int(left[0]))
    if len(rest) < _ROWS or rest.time[-1] - rest.time[0] < _SECONDS:
        return None
    volume = growth(burn.time, burn.heater, burn.temperature, plant, lag=lag, ended=False).volume
    softest = min(_softest(belief, plant), _softest_seen(burn, first, volume, plant))
    grown = float(volume[first + len(rest) - 1] - volume[first])
    fallen = 0.0
    if fall is not None:
        seconds = float(rest.time[-1] - rest.time[0])
        fallen = _LOAD_MORE * fall.over(seconds, plant.relief + plant.atmosphere)
    return _weigh(rest, grown, softest, fallen, plant)


def _softest(belief: Belief, plant: Plant) -> float:
    """Compliance [m³/Pa] at the relief setting of the softest line that is still believable."""
    setting = (plant.relief or 0.0) + plant.atmosphere
    return belief.air_quantile(2.0) / setting**2 + 2.0 * belief.elastic


def _softest_seen(burn: Samples, first: int, volume: FloatArray, plant: Plant) -> float:
    """Compliance [m³/Pa] that the climb of this burn to row ``first`` has shown, draws making it softer."""
    climbed = float(burn.pressure[first] - burn.pressure[0]) * 1e3
    if first < 1 or climbed < _CLIMB * (plant.relief or 0.0):
        return np.inf
    return 1.5 * float(volume[first] - volume[0]) / climbed


def _weigh(rest: Samples, volume: float, softest: float, fallen: float, plant: Plant) -> Discharge | None:
    p = rest.pressure * 1e3
    setting = plant.relief or 0.0
    expected = 0.7 * volume / softest - fallen
    # Of a saw-tooth the first and last third are compared, not two single rows.
    third = max(len(p) // 3, 1)
    seen = float(np.max(p[-third:]) - np.max(p[:third]))
    noise = noise_of(p)
    if expected < 4.0 * noise.sd + 2.0 * noise.resolution + 0.02 * setting:
        return None
    if seen > _SHARE_LEFT * expected:
        return None
    return Discharge(float(rest.time[0]), float(np.max(p)), volume)
