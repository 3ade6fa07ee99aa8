"""What all windows of a site share: errors that no number of windows averages away."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Shared:
    """How the growth of one window hangs on what it shares with the others.

    Where the metal's lag is L [s], the burner reported C [s] late and the gas settles by g standard
    deviations slower than assumed, the true growth is that of the window times

        exp(by_lag (L - lag) + by_late (C - late) + by_gas g)

    ``*_sd`` [s]: how well lag and clocks were known when the window was weighed.
    """

    lag: float
    late: float
    by_lag: float
    by_late: float
    by_gas: float
    lag_sd: float
    late_sd: float

    @property
    def sd(self) -> float:
        """Relative standard uncertainty by all that is shared."""
        return math.hypot(self.by_lag * self.lag_sd, self.by_late * self.late_sd, self.by_gas)
