"""What the knees of many burns say together: at which pressure a tank opens, and how sure that is.

Knees count where they meet at one pressure, a few a day; stretches that no such tank allows count against it.
Pressures gauge [Pa], slopes [Pa/m³].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.diagnosis.signs.knee import Knee, Smooth
from monitor.estimation.belief import DAY, normal_cdf
from monitor.estimation.plant import Plant
from monitor.estimation.samples import FloatArray

LEAST: Final = 5
"""Knees that must meet at one pressure."""

FAR: Final = 20e3
"""Pascals below the knee from which on a stretch without one speaks."""

_A_DAY: Final = 3  # stretches of a day that count for or against: one odd day proves nothing
_AGREE: Final = 6e3  # Pa around the common knee, besides three times a knee's own sd
_WIDEST: Final = 25e3  # Pa: a knee that is known no better says nothing
_PRIOR: Final = -4.0  # log odds
_READ: Final = 1.0  # where a gauge has read that pressure: somebody may have relieved it since
_FOR: Final = 1.2  # log odds by a knee
_AGAINST: Final = 1.5  # by a stretch without one
_ELSEWHERE: Final = 0.7
_CONSTANT_RISE: Final = (
    4.0  # against, where knees keep their distance from the start better than their pressure
)
_ABOVE_SHARE: Final = 0.04  # of the supply: so much above it is no fault yet
ABOVE_LEAST: Final = 15e3
"""The least that a charge is above the supply to be a fault. [Pa]."""

_SUPPLY_SD: Final = 0.015  # of the supply
_CHARGE_SD: Final = 3e3  # Pa: gas and bladder around the knee
_TANK_FITS: Final = 0.6  # ln: the soft part against what the tank's volume gives at that pressure
_MOST: Final = 0.98
_LEAST_SOFT: Final = 15e3  # Pa above the street over which a soft line speaks against a knee farther up
_MEETINGS: Final = 3


@dataclass(frozen=True, slots=True)
class Charge:
    """What knees together say: the charge with its sd, how many agree, since when, the ``odds`` (log)."""

    pressure: float
    sd: float
    knees: int
    against: int
    since: float
    odds: float
    stiff: float
    soft: float
    soft_expected: float
    fits: bool


def soft_expected(plant: Plant, pressure: float) -> float:
    """Return the slope [Pa/m³] of a line whose tank opens at ``pressure`` [gauge Pa], there."""
    return 1.0 / (plant.tank_volume / (pressure + plant.atmosphere) + plant.elastic)


def enough(reference: float) -> float:
    """Return the charge [Pa] from which on it is a fault that it lies above ``reference``."""
    return reference + max(_ABOVE_SHARE * reference, ABOVE_LEAST)


def fits_tank(soft: float, expected: float, plant: Plant) -> bool:
    """Whether a slope [Pa/m³] is what the tank gives, as far as heat and tank are known."""
    return abs(math.log(soft / expected)) < _TANK_FITS + 2.0 * plant.scale_sd


def probability_of(charge: Charge, reference: float) -> float:
    """Return the probability of a charge above ``reference`` [Pa] by more than may be."""
    above = normal_cdf((charge.pressure - enough(reference)) / math.hypot(charge.sd, _SUPPLY_SD * reference))
    knee = 1.0 / (1.0 + math.exp(-charge.odds))
    return min(above * knee, _MOST if charge.fits else 0.5)


def meetings(seen: list[Knee | Smooth]) -> list[float]:
    """Return the pressures [Pa] at which knees meet, the most frequent first."""
    knees = [k for k in seen if isinstance(k, Knee) and k.sd < _WIDEST]
    found: list[float] = []
    while knees and len(found) < _MEETINGS:
        p, sd = (np.array([getattr(k, name) for k in knees]) for name in ("pressure", "sd"))
        near = np.abs(p[None, :] - p[:, None]) < _reach(sd)[None, :]
        best = near[int(np.argmax(near.sum(axis=1)))]
        found.append(_mean(p[best], sd[best]))
        knees = [k for k, gone in zip(knees, best.tolist(), strict=True) if not gone]
    return found


def _reach(sd: FloatArray) -> FloatArray:
    return _AGREE + 3.0 * np.minimum(sd, _AGREE)


def weighed(
    seen: list[Knee | Smooth], middle: float, above: float, plant: Plant, *, read: bool = False
) -> Charge:
    """Return what the stretches say of a charge at ``middle`` above ``above`` [Pa]; ``read``: as a gauge did."""
    knees = [k for k in seen if isinstance(k, Knee) and k.pressure > above and k.sd < _WIDEST]
    agreeing = [k for k in knees if abs(k.pressure - middle) < _AGREE + 3.0 * min(k.sd, _AGREE)]
    soft = soft_expected(plant, middle)
    against = [s for s in seen if isinstance(s, Smooth) and _denies(s, middle, above, soft)]
    odds = (
        (_READ if read else _PRIOR)
        + _FOR * counted([k.at for k in agreeing])
        - _AGAINST * counted([s.at for s in against])
        - _ELSEWHERE * counted([k.at for k in knees if k not in agreeing])
        - (_CONSTANT_RISE if _keeps_distance(agreeing) else 0.0)
    )
    slopes = np.array([[k.stiff, k.soft] for k in agreeing]) if agreeing else np.array([[soft, soft]])
    stiff, found = (float(x) for x in np.median(slopes, axis=0))
    return Charge(
        pressure=middle,
        sd=_spread(agreeing),
        knees=len(agreeing),
        against=len(against),
        since=min((k.at for k in agreeing), default=seen[0].at if seen else 0.0),
        odds=min(max(odds, -30.0), 30.0),
        stiff=stiff,
        soft=found,
        soft_expected=soft,
        fits=fits_tank(found, soft, plant),
    )


def _spread(knees: list[Knee]) -> float:
    """Return the standard uncertainty of the pressure at which knees meet. [Pa]."""
    if len(knees) < 2:
        return math.hypot(_CHARGE_SD, knees[0].sd if knees else _WIDEST)
    spread = float(np.std([k.pressure for k in knees], ddof=1))
    return math.hypot(_CHARGE_SD, spread / math.sqrt(len(knees)))


def _mean(p: FloatArray, sd: FloatArray) -> float:
    weight = 1.0 / (sd**2 + _CHARGE_SD**2)
    return float(weight @ p / weight.sum())


def _denies(seen: Smooth, knee: float, street: float, soft: float) -> bool:
    """Whether no tank that opens at ``knee`` has this stretch: soft between street and knee, or stiff above."""
    low, high = max(seen.low, street), min(seen.high, knee)
    soft_below = high - low >= _LEAST_SOFT and low < knee - FAR and seen.slope < 1.3 * soft
    stiff_above = seen.low < knee < seen.high - 2.0 * FAR and seen.slope > 4.0 * soft
    return soft_below or stiff_above


def counted(times: list[float]) -> int:
    """Return how many count, a few a day."""
    days = [math.floor(t / DAY) for t in times]
    return sum(min(days.count(day), _A_DAY) for day in set(days))


def _keeps_distance(knees: list[Knee]) -> bool:
    """Whether knees lie at one rise above wherever they start, rather than at one pressure: friction, or a lag."""
    if len(knees) < LEAST:
        return False
    rise = float(np.std([k.pressure - k.start for k in knees]))
    return rise < 0.7 * float(np.std([k.pressure for k in knees]))
