"""Rows of aligned samples: the only form in which readings reach the analysis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Rows of one site, strictly increasing in time; all arrays of shape (n,).

    ``time`` epoch seconds UTC; ``pressure`` kPa gauge; ``heater`` 0/1 or watts, NaN where its state is not
    known; ``temperature`` °C, NaN where there is none.
    """

    time: FloatArray
    pressure: FloatArray
    heater: FloatArray
    temperature: FloatArray

    def __len__(self) -> int:
        return len(self.time)

    def between(self, first: int, last: int) -> Samples:
        """Return rows ``first`` to ``last`` (exclusive) as views."""
        part = slice(first, last)
        return Samples(self.time[part], self.pressure[part], self.heater[part], self.temperature[part])


def join(first: Samples, second: Samples) -> Samples:
    """Return the rows of ``first`` followed by those of ``second``."""
    return Samples(
        np.concatenate([first.time, second.time]),
        np.concatenate([first.pressure, second.pressure]),
        np.concatenate([first.heater, second.heater]),
        np.concatenate([first.temperature, second.temperature]),
    )


def empty() -> Samples:
    """Return no rows."""
    none = np.empty(0)
    return Samples(none, none, none, none)
