"""What a heating loop gives off while it is heated: the line falls by it as soon as the burner is off.

A burner's heat goes into the water of a loop and out of it again by the radiators. As much as the line
falls in a second without heat it would have risen more in a second with it. Gauge rows [kPa] in, Pa out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.estimation.pauses import Pauses
from monitor.estimation.samples import FloatArray, Samples

_SETTLED: Final = 300.0  # s after burner-off: five times the lag of a boiler's metal
_SECONDS: Final = 300.0
_ROWS: Final = 5
_KEPT: Final = 0.8  # of the earlier spread: the load of a building changes within hours
_SPREAD: Final = 0.25  # relative sd of the load from one hour to the next before that has been seen
_UNSEEN: Final = (
    0.35,
    0.25,
)  # share of a burner's heat that goes out again, and its sd, before any fall was seen
_KPA: Final = 1000.0


@dataclass(frozen=True, slots=True)
class Fall:
    """How fast a line of ``pressure`` [abs. Pa] falls without heat [Pa/s], and its relative sd."""

    pressure: float
    rate: float
    relative_sd: float

    def over(self, seconds: float, pressure: float) -> float:
        """Return by how much a line of ``pressure`` [abs. Pa] falls within ``seconds``. [Pa].

        The cushion takes by A / p², so that the same heat moves a line at twice the pressure by four times.
        """
        return self.rate * seconds * (pressure / self.pressure) ** 2


class Load:
    """Learns the fall of a loop from hours; ``fall`` is None before one was seen."""

    def __init__(self, atmosphere: float) -> None:
        self.fall: Fall | None = None
        self._atmosphere = atmosphere
        self._spread = _SPREAD
        self._pauses = Pauses(_SETTLED)

    def hour(self, rows: Samples) -> None:
        """Take the rows of an hour: the longest stretch without heat tells."""
        pauses = self._pauses.of(rows)
        if not pauses:
            return
        longest = max(pauses, key=len)
        time, p = longest.time, longest.pressure * _KPA
        if len(time) >= _ROWS and time[-1] - time[0] >= _SECONDS:
            self._take(time - time[0], p + self._atmosphere)

    def _take(self, time: FloatArray, p: FloatArray) -> None:
        rate = max(-float(np.polyfit(time, p, 1)[0]), 0.0)
        middle = float(np.mean(p))
        before = self.fall
        if before is not None and max(rate, before.rate) > 0.0:
            was = before.over(1.0, middle)
            moved = min(abs(rate - was) / max(0.5 * (rate + was), 1e-9), 1.0)
            self._spread = _KEPT * self._spread + (1.0 - _KEPT) * moved
        self.fall = Fall(middle, rate, self._spread)


def given_off(fall: Fall | None, rise: float, seconds: float, middle: float) -> tuple[float, float]:
    """Return the rise that a loop would have shown without its load [Pa], and the relative sd by that.

    ``rise`` [Pa] was seen within ``seconds`` around ``middle`` [abs. Pa].
    """
    if fall is None:
        share, sd = _UNSEEN
        return rise / (1.0 - share), sd / (1.0 - share)
    more = fall.over(seconds, middle)
    return rise + more, fall.relative_sd * more / (rise + more)
