"""What of a rest tells a line that is filled from elsewhere from one that stands."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean as mean
from typing import Final

from monitor.estimation.noise import Noise
from monitor.estimation.supply import POINT, Rest

SETTLING: Final = 2700.0
"""Seconds after a draw in which gas and small pipes settle."""

_RECENT: Final = 6  # points at the end of a rest over which it climbs or does not
_LONG: Final = 24  # the most, where half of a long rest has more: coarse readings hide half an hour's climb


@dataclass(frozen=True, slots=True)
class Ended:
    """A rest that a draw ended, until the supply has been seen after it. ``first``: its first five minutes."""

    start: float
    end: float
    before: float
    fell: float
    first: float
    level: float
    settled: float  # level when the gas had settled, NaN in a short rest
    rise: float
    rise_sd: float
    span: float
    steady: bool


def ended(rest: Rest, noise: Noise, every: float) -> Ended:
    """Return what matters of a rest."""
    count = min(max(_RECENT, len(rest.level) // 2), _LONG)
    level, time = rest.level[-count:].tolist(), rest.time[-count:].tolist()
    ends = max(1, len(level) // 3)
    first, last = mean(level[:ends]), mean(level[-ends:])
    middle = mean(level[ends:-ends]) if len(level) > 2 * ends else 0.5 * (first + last)
    rows = max(POINT / max(every, 1.0), 1.0)  # no rate is known before two hours
    sd = math.hypot(noise.sd / math.sqrt(rows), 0.15 * noise.resolution) * math.sqrt(2.0 / ends)
    later = rest.time >= rest.start + SETTLING
    settled = float(rest.level[later][0]) if later.any() else math.nan
    span = mean(time[-ends:]) - mean(time[:ends])
    return Ended(
        rest.start, rest.end, rest.before, rest.fell, float(rest.level[0]), last, settled,
        last - first, sd, span, first < middle < last,
    )  # fmt: skip
