"""What many coasts say together: how much of the rise was lost, and whether by a valve or by a hole.

One coast alone says little: the supply wanders by as much as a passing valve leaves of a rise. All burns share
one time constant (a valve) or one slope (a hole), so their likelihoods add up. Kept in blocks of burns, so that
a fault that began last week is not outvoted by the months before it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from monitor.diagnosis.signs.coast import SLOPES, TAUS, Coast
from monitor.estimation.belief import normal_cdf
from monitor.estimation.samples import FloatArray

_BLOCK: Final = 8  # coasts
_BLOCKS: Final = 6
_CAP: Final = 2.0  # of log-likelihood by one coast: no single burn decides
_FIRST: Final = 0.7  # log odds: of holes only those that take half to nearly all of the growth look so
_FASTEST: Final = 3.0  # times the rise of a line with a good cushion, by which a line may fall
_LEFT: Final = 0.5  # of a rise, at most, is lost by gas, friction and cooling
_BOTH: Final = 0.35  # of the log-likelihood are believed: shapes are not quite those of the formulas


@dataclass(slots=True)
class Block:
    """Sums over coasts. Two sets of likelihoods: as they are, and capped."""

    since: float
    until: float = 0.0
    count: int = 0
    sums: FloatArray = field(default_factory=lambda: np.zeros(7))
    kinds: FloatArray = field(default_factory=lambda: np.zeros((2, 2, len(TAUS))))

    def add(self, coast: Coast) -> None:
        """Add a coast."""
        self.count, self.until = self.count + 1, coast.off
        fell, rise = coast.fell, coast.rise
        doubt = coast.doubt * coast.doubt
        self.sums += (fell, rise, fell * fell, fell * rise, rise * rise, doubt, coast.pace)
        both = np.array([coast.bowed, coast.straight])
        both -= both.min()
        self.kinds += (both, np.minimum(both, _CAP))

    def plus(self, other: Block) -> Block:
        """Return both together; ``other`` is the later one."""
        return Block(
            self.since,
            other.until,
            self.count + other.count,
            self.sums + other.sums,
            self.kinds + other.kinds,
        )


@dataclass(frozen=True, slots=True)
class Account:
    """What a run of coasts says. Pressures [Pa], ``tau`` [s], ``slope`` [Pa/s].

    ``share`` of the rise that was lost, with its sd; ``fell``: mean loss, ``clear`` its size in sds; ``bent``:
    log-likelihood of a valve against a hole; ``run_off``: slope of the fall over that of a healthy rise.
    """

    since: float
    until: float
    count: int
    share: float
    share_sd: float
    fell: float
    clear: float
    bent: float
    tau: float
    slope: float
    run_off: float

    @property
    def vanishes(self) -> float:
        """Return the probability that more than gas and bladder explain was lost: half of the rise."""
        return float(normal_cdf((self.share - _LEFT) / self.share_sd)) * float(normal_cdf(self.clear - 2.0))

    @property
    def valve(self) -> float:
        """Return the probability of a valve where one or the other it is."""
        return _logistic(_BOTH * self.bent)

    @property
    def hole(self) -> float:
        """Return the probability of a hole where one or the other it is."""
        return _logistic(-_BOTH * self.bent - _FIRST)


def _logistic(odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-float(np.clip(odds, -30.0, 30.0))))


class Tally:
    """The last coasts, in blocks; answers for every run of blocks that ends now."""

    def __init__(self) -> None:
        self._blocks: list[Block] = []

    def add(self, coast: Coast) -> None:
        """Add the next coast."""
        if not self._blocks or self._blocks[-1].count >= _BLOCK:
            self._blocks = [*self._blocks[1 - _BLOCKS :], Block(coast.off)]
        self._blocks[-1].add(coast)

    def accounts(self) -> list[Account]:
        """Return the accounts of the last eight coasts or more, shortest first."""
        found, run = [], None
        for block in reversed(self._blocks):
            run = block if run is None else block.plus(run)
            if run.count >= _BLOCK:
                found.append(account(run))
        return found

    def clear(self) -> None:
        """Forget all."""
        self._blocks = []


def account(run: Block) -> Account:
    """Return what the sums of a run of coasts say."""
    n = run.count
    fell, rise, fell2, cross, rise2, doubt, pace = run.sums.tolist()
    share = fell / rise if rise > 0.0 else 0.0
    left = max(fell2 - 2.0 * share * cross + share * share * rise2, doubt)
    spread = max(fell2 / n - (fell / n) ** 2, doubt / n)
    # What heats the line drives what leaves it: a faster fall is a draw, or another heater's doing.
    most = _FASTEST * pace / n
    kinds = run.kinds.copy()
    kinds[:, 0, TAUS * most < fell / n] = math.inf
    kinds[:, 1, most < SLOPES] = math.inf
    as_is, capped = kinds
    if not (np.isfinite(as_is[0]).any() and np.isfinite(as_is[1]).any()):
        as_is = capped = np.zeros_like(as_is)
    gaps = [float(kind[1].min() - kind[0].min()) for kind in (as_is, capped)]
    slope = float(SLOPES[int(np.argmin(capped[1]))])
    return Account(
        since=run.since,
        until=run.until,
        count=n,
        share=share,
        share_sd=math.sqrt(left) / max(abs(rise), 1.0),
        fell=fell / n,
        clear=fell / math.sqrt(n * spread),
        # Both must agree: what hangs on single burns is not believed.
        bent=min(gaps, key=abs) if gaps[0] * gaps[1] > 0.0 else 0.0,
        tau=float(TAUS[int(np.argmin(capped[0]))]),
        slope=slope,
        run_off=slope * n / max(pace, 1e-9),
    )
