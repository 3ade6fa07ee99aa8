"""The supply side: a line that rests above the local limit, and a reducing valve that lets pressure creep up.

Both look at the same rests and at the level right after draws, so they share what finds them.
"""

from __future__ import annotations

from typing import Final

from monitor.diagnosis.signs.creep import Creep
from monitor.diagnosis.signs.high import High
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY
from monitor.estimation.burns import Hour, Mark
from monitor.estimation.plant import Plant
from monitor.estimation.supply import Rests
from monitor.site import HeaterKind, Site, Visit

_GUESS: Final = 0.15  # m3 of a heater whose volume is not given
_MOST_HEAT: Final = 0.5  # share of rows with heat over a day: no storage heater needs as much
_MEMORY: Final = 24.0  # hours
_RECENT: Final = 7 * DAY


class SupplySide:
    """Sign of `supply_pressure_high` and `regulator_creep`; silent for a heating loop, where nobody draws."""

    def __init__(self, site: Site, plant: Plant) -> None:
        speaker = Speaker(site)
        volume = _GUESS if site.heater.volume is None else site.heater.volume
        self._loop = site.heater.kind is HeaterKind.LOOP
        self._rests = Rests()
        self._creep = Creep(plant, volume, speaker)
        self._high = High(site, speaker, plant.atmosphere)
        self._heat = 0.0

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; only hours matter."""
        if self._loop or not isinstance(mark, Hour) or scene.line is None or len(mark.rows) == 0:
            return []
        rows = mark.rows
        drawn, rests = self._rests.hour(rows, scene.line.noise)
        self._heat += (float((rows.heater > 0.5).mean()) - self._heat) / _MEMORY
        every = float(rows.time[-1] - rows.time[0]) / max(len(rows) - 1, 1)
        told = self._creep.take(drawn, rests, every, scene, mark.at) + self._high.take(drawn, mark.at)
        # A sensor on the street's side sees no heat, and a heater that is said to heat most of the time may be
        # one whose state is upside down: neither tells of the line at rest.
        last = scene.sight.last_rise
        trusted = (
            last is not None
            and mark.at - last < _RECENT
            and scene.sight.answers
            and (self._heat < _MOST_HEAT)
        )
        return told if trusted else [one for one in told if one.probability < 0.5]

    def visit(self, visit: Visit) -> None:
        """Nothing counted here is of the tank."""
