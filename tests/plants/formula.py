"""Rows from formulas: a line at rest, a dip of a draw before each burn, a straight climb while it burns.

Nothing here is a plant; each number that commissioning judges can be set by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from monitor.diagnosis.commissioning.expected import expected
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import FloatArray, Samples
from monitor.site import Heater, Site
from monitor.units import PSI

START = 1767571200.0
"""2026-01-05T00:00:00Z."""

_HELD = 1200.0  # s after a burn at which somebody draws
_DRAW = 120.0  # s of a draw; one ends right before each burn

HOME = Site(
    id="home",
    unit="psi",
    heater=Heater(volume=0.150, input=11.7e3, efficiency=0.77, setpoint=54.0),
    tank_volume=0.008,
    precharge=60 * PSI,
    supply=60 * PSI,
    relief=150 * PSI,
)


@dataclass(frozen=True, slots=True)
class Line:
    """A line with a burn of ``burn`` s every ``every`` s; ``answers``: climb over that of a sound tank.

    ``late``: seconds by which the pressure's clock is behind; ``strange``: burns that are not reported, one
    after each reported one. Pressures in Pa.
    """

    hours: float = 48.0
    interval: float = 10.0
    burn: float = 600.0
    every: float = 3 * 3600.0
    level: float = 60 * PSI
    noise: float = 300.0
    resolution: float = 0.0
    answers: float = 1.0
    late: float = 0.0
    strange: bool = False
    temperature: float | None = 54.0

    def rows(self, site: Site = HOME, seed: int = 1) -> Samples:
        """Return the rows of the line at ``site``."""
        rng = np.random.default_rng([seed, 7])
        time = np.arange(0.0, self.hours * 3600.0, self.interval)
        truth = self._pressure(time - self.late, site)
        pressure = truth + rng.normal(0.0, self.noise, len(time))
        if self.resolution:
            pressure = np.round(pressure / self.resolution) * self.resolution
        on = self._since(time)[0] < self.burn
        return Samples(START + time, pressure / 1e3, on.astype(float), self._warm(time))

    def _since(self, time: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the time since the last burn began, and the same for those that are not reported."""
        phase = np.mod(time - 0.5 * self.every, self.every)
        return phase, np.mod(phase - 0.5 * self.every, self.every)

    def _pressure(self, time: FloatArray, site: Site) -> FloatArray:
        climb = self.answers * expected(plant_of(site), self.level).climb
        own, other = self._since(time)
        since = np.minimum(own, other) if self.strange else own
        period = 0.5 * self.every if self.strange else self.every
        held = np.where(since < self.burn + _HELD, climb * np.minimum(since, self.burn), 0.0)
        drawn = (since >= period - _DRAW) | (
            (since >= self.burn + _HELD) & (since < self.burn + _HELD + _DRAW)
        )
        return np.where(drawn, self.level - 40e3, self.level + held)

    def _warm(self, time: FloatArray) -> FloatArray:
        if self.temperature is None:
            return np.full(len(time), np.nan)
        since = self._since(time)[0]
        return self.temperature - 6.0 * np.where(
            since < self.burn, 1.0 - since / self.burn, since / self.every
        )


def at_site(**changes: object) -> Site:
    """Return the home with other facts; those of its heater with ``heater_`` before their name."""
    heater = {k.removeprefix("heater_"): v for k, v in changes.items() if k.startswith("heater_")}
    own = {k: v for k, v in changes.items() if not k.startswith("heater_")}
    return replace(HOME, heater=replace(HOME.heater, **heater), **own)  # type: ignore[arg-type]
