"""Estimates to suspicions: how probable each fault of the cushion is, from the belief alone. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.limits import Limits
from monitor.estimation.belief import DAY, Belief, normal_cdf
from monitor.estimation.trend import falling

CERTAIN: Final = 0.95
"""Probability from which a fault may be raised."""

CLEARED: Final = 0.3
"""Probability below which a standing fault may end."""

_LOSS: Final = math.log(0.88)  # a steady loss of 12 % of the air is worth a visit long before the limit
_LOSS_CERTAIN: Final = 0.98
_JUMP: Final = 0.45  # air after a sudden loss over air before
_JUMP_LEAVES: Final = 0.6  # of the nominal air at most: a jump that ends higher is no lost cushion
_JUMP_WITHIN: Final = 4 * DAY
_MOST_DOUBT: Final = 0.25  # relative sd of the air beyond which a charge is not judged low


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Probabilities of a low charge, of a lost cushion, and of a steady loss since the reference."""

    low: float
    lost: float
    leaking: float
    jumped: bool


def suspect(belief: Belief, limits: Limits) -> Suspicion:
    """Return what the belief makes probable."""
    lost = belief.probability_below(limits.lost)
    jumped = _jumped_down(belief, limits)
    if jumped:
        lost = max(lost, belief.probability_below(_JUMP_LEAVES * limits.nominal))
    if belief.erratic:  # whatever moves the pressure there, it is not only heat
        unsure = CERTAIN - 0.01
        return Suspicion(min(belief.probability_below(limits.low), unsure), min(lost, unsure), 0.0, jumped)
    low = belief.probability_below(limits.low)
    if belief.air_sd > _MOST_DOUBT and belief.probability_below(limits.lost) < CERTAIN:
        low = min(low, CERTAIN - 0.01)
    return Suspicion(low, lost, _leaking(belief), jumped)


def _jumped_down(belief: Belief, limits: Limits) -> bool:
    if not belief.jumps:
        return False
    jump = belief.jumps[-1]
    since_reference = belief.reference_time is None or jump.at >= belief.reference_time
    return (
        since_reference
        and jump.ratio < _JUMP
        and jump.at - jump.before < _JUMP_WITHIN
        and belief.air < _JUMP_LEAVES * limits.nominal
    )


def _leaking(belief: Belief) -> float:
    """Probability that air has been lost steadily; the heat scale, unknown but constant, cancels here."""
    trend = falling(belief)
    if trend < CERTAIN:
        return 0.0
    change, sd = belief.change_since_reference()
    lost = normal_cdf((_LOSS - change) / sd)
    return min(trend, lost) if lost >= _LOSS_CERTAIN else 0.0


def loss_began(belief: Belief) -> float | None:
    """Return when a steady loss at today's rate began, not before the reference; None without one."""
    if belief.reference_time is None:
        return None
    change, _ = belief.change_since_reference()
    rate, _ = belief.rate()
    if rate >= 0.0:
        return belief.reference_time
    return max(belief.reference_time, belief.time - change / rate * DAY)
