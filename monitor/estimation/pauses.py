"""Pauses of a burner: stretches of a line that no heat moves any more."""

from __future__ import annotations

import math

import numpy as np

from monitor.estimation.samples import Samples


class Pauses:
    """Finds pauses in rows that come hour by hour, from ``settled`` seconds after burner-off on."""

    def __init__(self, settled: float) -> None:
        self._settled = settled
        self._burned = -math.inf

    def of(self, rows: Samples) -> list[Samples]:
        """Return the pauses in the next rows, in order; where the state is not known there is none."""
        if len(rows) == 0:
            return []
        last = np.maximum.accumulate(np.where(rows.heater > 0.5, rows.time, self._burned))
        self._burned = float(last[-1])
        quiet = (rows.heater <= 0.5) & (rows.time - last > self._settled) & np.isfinite(rows.pressure)
        edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0)).tolist()
        return [rows.between(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True)]
