"""A closed cold line with a vessel on it: what pressure a volume of water makes, step by step.

Written for evaluation from first principles: a balance of volumes, the gas with a temperature of its own,
a bladder with friction and a stop. All pressures absolute [kPa], volumes [mL].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(slots=True)
class Line:
    """State of the line: ``pressure``, and the gas in the vessel.

    ``air`` is pressure times volume of the gas at room temperature [kPa mL]: charge (absolute) times vessel.
    ``warmth`` is the gas temperature over room temperature: squeezed gas is warm until ``relaxation`` [s] has
    passed (``gamma`` 1.4 and a long relaxation give the adiabatic bound, ``gamma`` 1 is isothermal).
    ``elastic`` [mL/kPa] is what pipes, shell, water and trapped air take, ``friction`` [kPa] holds the
    bladder.
    """

    vessel: float
    air: float
    elastic: float
    pressure: float
    gamma: float = 1.0
    relaxation: float = math.inf
    friction: float = 0.0
    warmth: float = 1.0
    gas: float = field(init=False)

    def __post_init__(self) -> None:
        if self.elastic <= 0.0:
            raise ValueError(f"elastic={self.elastic:g} mL/kPa: a line with no give has no pressure")
        self.gas = min(self.vessel, self.air / self.pressure)

    def push(self, volume: float, step: float) -> None:
        """Put ``volume`` more water into the line (negative: take it) within ``step`` seconds."""
        # The pressure at which pipes and shell alone hold `volume` more, the gas left as it is.
        hot = self.air * self.warmth
        old = self.gas
        stiff = self.pressure + volume / self.elastic
        inside = hot / old if old > 0.0 else 0.0
        if stiff > inside + self.friction:
            self.pressure = self._solve(volume, hot, self.friction, stiff)
        elif stiff < inside - self.friction:
            self.pressure = self._solve(volume, hot, -self.friction, stiff)
        else:
            self.pressure = stiff
        self._settle(old, step)

    def hold(self, pressure: float, step: float) -> float:
        """Let water in or out until the line is at ``pressure``; return how much came in."""
        old = self.gas
        came = self.elastic * (pressure - self.pressure)
        hot = self.air * self.warmth
        inside = hot / old if old > 0.0 else 0.0
        if pressure > inside + self.friction:
            self.gas = hot / (pressure - self.friction)
        elif pressure < inside - self.friction:
            self.gas = min(self.vessel, hot / (pressure + self.friction))
        self.pressure = pressure
        came += old - self.gas
        self._settle(old, step)
        return came

    def _solve(self, volume: float, hot: float, friction: float, stiff: float) -> float:
        """Return the pressure at which gas and elasticity together hold ``volume`` more; sets ``gas``.

        With q the gas pressure: old - hot/q + elastic (q + friction - p0) = volume, a quadratic in q.
        """
        b = self.gas - volume + self.elastic * (friction - self.pressure)
        root = math.sqrt(b * b + 4.0 * self.elastic * hot)
        # The form without cancellation for the sign of b.
        q = 2.0 * hot / (b + root) if b > 0.0 else (root - b) / (2.0 * self.elastic)
        if hot > 0.0 and hot / q <= self.vessel:
            self.gas = hot / q
            return q + friction
        # On its stop (or no gas at all) the vessel takes no part beyond reaching that stop.
        end = self.vessel if hot > 0.0 else 0.0
        pressure = stiff - (self.gas - end) / self.elastic
        self.gas = end
        return pressure

    def _settle(self, old: float, step: float) -> None:
        if self.gamma == 1.0 or self.gas <= 0.0 or old <= 0.0:
            return
        self.warmth *= (old / self.gas) ** (self.gamma - 1.0)
        self.warmth = 1.0 + (self.warmth - 1.0) * math.exp(-step / self.relaxation)
