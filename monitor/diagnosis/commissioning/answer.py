"""Whether, when and with which sign the line answers to the reported heat: climbing minutes against state.

Nothing here trusts the heater's signal: level and noise are those of all rows. Heat lifts a closed line
for minutes at a rate that the plates tell; a draw, a refill or a swing of the supply does not. So each quiet
minute either climbs or not, and for each lag the share of climbs among minutes reported on, less that among
minutes reported off (Youden's index), says how well the report explains them: 1 if always, 0 by chance,
-1 if it is upside down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray, Samples

FARTHEST: Final = 14 * 60
"""Minutes of lag that are tried: clocks may be apart by a time zone."""

_REACHES: Final = (1, 2, 3, 5, 8)  # minutes to either side over which a climb is measured
_STANDS_OUT: Final = 6.0  # expected climb over its standard deviation
_CLIMBS: Final = 0.2  # of the expected climb: plates may be wrong by gallons for litres
_LEAST: Final = 4.0  # standard deviations
_BRIDGED: Final = 3  # minutes
_MINUTE: Final = 60.0
_LONGEST: Final = 8 * 24 * 60  # minutes that are looked at
_ABOVE: Final = 3.0  # spreads of the level between hours
_BEFORE, _AFTER = 8, 2  # minutes around a climb in which a report of heat explains it
_FEWEST: Final = 10.0  # minutes of on and of off at a lag that is judged

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """How climbs go with the report: arrays over lags from -``FARTHEST`` to ``FARTHEST`` minutes.

    ``on``, ``off``: quiet minutes reported so that long before; ``climbs_on``, ``climbs_off``: those of them
    that climb. ``reach``: minutes to either side over which a climb was measured. ``strange``: minutes of steady
    climbs far from any report of heat.
    """

    on: FloatArray
    off: FloatArray
    climbs_on: FloatArray
    climbs_off: FloatArray
    reach: int
    strange: int

    def index(self, lag: int) -> float:
        """Return Youden's index at ``lag`` minutes."""
        return float(self.indices()[lag + FARTHEST])

    def indices(self) -> FloatArray:
        """Return Youden's index at each lag; 0 where too few minutes are known."""
        enough = (self.on >= _FEWEST) & (self.off >= _FEWEST)
        with np.errstate(invalid="ignore", divide="ignore"):
            found = self.climbs_on / self.on - self.climbs_off / self.off
        return np.where(enough, found, 0.0)

    def best(self, first: int, last: int) -> tuple[int, float]:
        """Return the lag in first..last minutes with the highest index, and that index."""
        part = self.indices()[first + FARTHEST : last + FARTHEST + 1]
        place = int(np.argmax(part))
        return first + place, float(part[place])

    def counts(self, lag: int) -> tuple[float, float, float, float]:
        """Return quiet minutes on, climbs among them, quiet minutes off, climbs among them."""
        place = lag + FARTHEST
        on, climbs_on = float(self.on[place]), float(self.climbs_on[place])
        return on, climbs_on, float(self.off[place]), float(self.climbs_off[place])


def answer(rows: Samples, noise: Noise, level: tuple[float, float, float], climb: float) -> Answer | None:
    """Return how the line answers; None where there are too few rows, or where noise hides heat.

    Parameters
    ----------
    rows : Samples
        The rows, kPa gauge.
    noise : Noise
        Of the pressure.
    level : tuple of float
        Level of the line at rest, that of its lowest hours, and the spread between hours [gauge Pa].
    climb : float
        Rise that the plates let expect while the heater is on. [Pa/s]
    """
    grid = _grid(rows)
    if grid is None:
        return None
    p, on, count = grid
    sd = float(np.sqrt(2.0) * np.hypot(noise.sd / np.sqrt(max(count, 1.0)), 0.3 * noise.resolution))
    per_minute = _MINUTE * climb
    reach = next((r for r in _REACHES if 2 * r * per_minute >= _STANDS_OUT * sd), None)
    if reach is None or len(p) <= 4 * reach:
        return None
    limit = max(_CLIMBS * 2 * reach * per_minute, _LEAST * sd)
    quiet, climbs = _minutes(
        p, reach, limit, level[1] - 2.0 * level[2] - 3.0 * sd, 0.5 * noise.step + 2.0 * sd
    )
    high = p[reach:-reach] >= level[0] + _ABOVE * level[2] + 3.0 * sd
    return _related(on[reach:-reach], quiet, (climbs, high), reach)


def _grid(rows: Samples) -> tuple[FloatArray, FloatArray, float] | None:
    """Return mean pressure [Pa] and share of on for each minute (NaN: unknown), and rows a minute."""
    if len(rows) < 2:
        return None
    minute = np.floor(rows.time / _MINUTE)
    where = (minute - minute[0]).astype(np.int64)
    keep = where < _LONGEST
    where, p, heater = where[keep], rows.pressure[keep] * 1000.0, rows.heater[keep]
    width = int(where[-1]) + 1
    known = np.isfinite(heater)
    count = np.bincount(where, minlength=width).astype(np.float64)
    told = np.bincount(where[known], minlength=width).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(where, weights=p, minlength=width) / count
        share = np.bincount(where[known], weights=(heater[known] > 0.5).astype(float), minlength=width) / told
    filled = count[count > 0]
    return _bridged(mean), _bridged(share), float(np.median(filled))


def _bridged(values: FloatArray) -> FloatArray:
    """Fill minutes without a row between rows that are near."""
    known = np.flatnonzero(np.isfinite(values))
    if len(known) in {0, len(values)}:
        return values
    holes = np.flatnonzero(~np.isfinite(values))
    after = np.searchsorted(known, holes)
    inside = (after > 0) & (after < len(known))
    holes, after = holes[inside], after[inside]
    near = known[after] - known[after - 1] <= _BRIDGED + 1
    filled = values.copy()
    filled[holes[near]] = np.interp(holes[near], known, values[known])
    return filled


def _minutes(p: FloatArray, reach: int, limit: float, floor: float, fall: float) -> tuple[Flags, Flags]:
    """Return which minutes are quiet (nobody draws, no refill after a draw), and which of them climb."""
    with np.errstate(invalid="ignore"):
        rise = p[2 * reach :] - p[: -2 * reach]
        around = np.lib.stride_tricks.sliding_window_view(np.diff(p), 2 * reach)
        lowest = np.minimum(p[2 * reach :], p[: -2 * reach])
        quiet = np.isfinite(rise) & (around >= -fall).all(axis=1) & (lowest >= floor)
        return quiet, quiet & (rise >= limit)


def _related(on: FloatArray, quiet: Flags, seen: tuple[Flags, Flags], reach: int) -> Answer:
    """Count minutes and climbs by what was reported each lag before."""
    climbs, high = seen
    sure_on, sure_off = (on >= 0.9).astype(float), (on <= 0.1).astype(float)
    all_quiet, climbing = quiet.astype(float), climbs.astype(float)
    return Answer(
        on=_at_lags(all_quiet, sure_on),
        off=_at_lags(all_quiet, sure_off),
        climbs_on=_at_lags(climbing, sure_on),
        climbs_off=_at_lags(climbing, sure_off),
        reach=reach,
        strange=_strange(on, climbs, high, reach),
    )


def _strange(on: FloatArray, climbs: Flags, high: Flags, reach: int) -> int:
    """Count minutes of climbs with no heat near them that last longer than one refill of the line looks.

    They must end ``high`` above the supply: up to its own wander the supply itself lifts the line.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], climbs, [False]]).astype(np.int8)))
    heat = np.concatenate([[0], np.cumsum(~(on <= 0.1))])
    total = 0
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        near = heat[min(end + _AFTER, len(on))] - heat[max(first - _BEFORE, 0)]
        lasts = end - first > 2 * reach + 2 and bool(high[end - 1])
        total += end - first if lasts and near == 0 else 0
    return total


def _at_lags(seen: FloatArray, told: FloatArray) -> FloatArray:
    """Return the sum over minutes of seen now times told ``lag`` minutes before, for each lag."""
    size = 1 << (len(seen) + FARTHEST).bit_length()
    both = np.fft.irfft(np.fft.rfft(seen, size) * np.conj(np.fft.rfft(told, size)), size)
    return np.round(np.concatenate([both[-FARTHEST:], both[: FARTHEST + 1]]))
