"""What a service visit tells of the air: a gauge on the relieved tank measures it, a pump sets it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.estimation.belief import AIR, RATE, RATE_PRIOR_SD, STATES, Belief, predict, with_reference
from monitor.estimation.plant import Plant
from monitor.site import Visit, VisitAction

_GAUGE_SD: Final = 5e3  # Pa: a hand gauge read to half a mark, 0.7 psi


def visited(belief: Belief, visit: Visit, plant: Plant) -> Belief:
    """Return the belief after a service visit.

    ``gauged``: the gauge reading measures the air. ``refilled``, ``replaced``: the air is what was left
    in the tank; what was learned of heat and line is kept, and what the gauge showed before teaches it more.
    """
    belief = predict(belief, visit.time)
    if visit.action is VisitAction.LOOKED:
        return belief
    if visit.found is not None and visit.water_at_valve is not True:
        # With water behind the valve the gauge does not show the air.
        found = plant.air_of(visit.found)
        belief = replace(_gauge(belief, math.log(found), _GAUGE_SD * plant.tank_volume / found), gauged=True)
    if visit.precharge is None:
        if visit.action is VisitAction.GAUGED:
            return belief
        return with_reference(_reset(belief, math.log(plant.air_of(plant.charge_target)), 0.15))
    air = plant.air_of(visit.precharge)
    sd = _GAUGE_SD * plant.tank_volume / air
    if visit.action is VisitAction.GAUGED:
        return with_reference(replace(_gauge(belief, math.log(air), sd), gauged=True))
    return with_reference(replace(_reset(belief, math.log(air), sd), gauged=True))


def read_off(belief: Belief, charge: tuple[float, float], plant: Plant, time: float) -> Belief:
    """Return the belief after a ``charge`` [gauge Pa], with its sd, was read off the line: where it bends.

    What windows below the charge have told was of the line without its tank; it is dropped.
    """
    pressure, sd = charge
    air = plant.air_of(pressure)
    read = _reset(predict(belief, time), math.log(air), sd * plant.tank_volume / air)
    return with_reference(replace(read, gauged=True))


def _gauge(belief: Belief, log_air: float, sd: float) -> Belief:
    variance = belief.covariance[AIR, AIR] + sd**2
    surprise = log_air - belief.mean[AIR]
    covariance = belief.covariance
    if (
        surprise**2 > 9.0 * variance
    ):  # the air has changed unseen: the gauge is right, the scale is not judged
        return _reset(belief, log_air, sd)
    gain = covariance[:, AIR] / variance
    kept = np.eye(STATES)
    kept[:, AIR] -= gain
    posterior = kept @ covariance @ kept.T + np.outer(gain, gain) * sd**2
    return replace(belief, mean=belief.mean + gain * surprise, covariance=posterior, aside=())


def _reset(belief: Belief, log_air: float, sd: float) -> Belief:
    mean = belief.mean.copy()
    covariance = belief.covariance.copy()
    for index, value, spread in ((AIR, log_air, sd), (RATE, 0.0, RATE_PRIOR_SD)):
        mean[index] = value
        covariance[index, :] = 0.0
        covariance[:, index] = 0.0
        covariance[index, index] = spread**2
    return replace(belief, mean=mean, covariance=covariance, aside=())
