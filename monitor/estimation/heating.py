"""How heat reaches the water of a site, as far as its burns have taught it."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.estimation.heat import Growth, growth
from monitor.estimation.lag import Lag
from monitor.estimation.load import Fall, Load
from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples


@dataclass(frozen=True, slots=True)
class Heating:
    """How heat reaches the water: after ``lag`` [s], from a burner reported ``late`` [s], each with its sd.

    ``learned``: whether both are known from burns; ``ended``: whether the end of the burn was seen.
    ``loop``: whether radiators give heat off meanwhile, so that the line falls without a burner as ``fall`` says.
    """

    lag: float
    learned: bool
    ended: bool
    late: float = 0.0
    lag_sd: float = 0.0
    late_sd: float = 0.0
    loop: bool = False
    fall: Fall | None = None

    def grown(self, rows: Samples, plant: Plant, *, lag: float | None = None) -> Growth:
        """Return how the water grew over ``rows``; with another ``lag`` [s] where one is given."""
        return growth(
            rows.time,
            rows.heater,
            rows.temperature,
            plant,
            lag=self.lag if lag is None else lag,
            late=self.late,
            ended=self.ended,
        )


def heating_of(lag: Lag, load: Load | None, *, ended: bool) -> Heating:
    """Return how heat reaches the water by what a site has taught so far; ``load``: that of a loop."""
    fall = None if load is None else load.fall
    return Heating(
        lag.seconds, lag.learned, ended, lag.late, lag.sd, lag.late_sd, loop=load is not None, fall=fall
    )
