"""A heater of one temperature, run from draws: what the kept traces cannot be asked for.

The traces of `library` have draws, heater and season in them for good. To change the setpoint, stop the
draws for a week, let a pump circulate or the season turn faster, the heat balance is run anew:

    C dT/dt = P - UA (T - room) - drain - rho cp q (T - inlet),  growth = V beta(T) dT

Fully mixed, so less true than the traces; its growth, too, is that of the water only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.plants.cushion import BETA, WARM
from tests.plants.library import HOUSEHOLD, Known
from tests.plants.trace import DAY, FloatArray, Trace, days

_HEAT: Final = 4183.0
"""Joules per litre and kelvin; as in the heater's model of the kept traces."""


@dataclass(frozen=True, slots=True)
class Heat:
    """A heater: litres, watts into the water, kelvin of dead-band, W/K to the room, seconds of lag.

    ``hot``: share of the draws that runs through it; two thirds of the kept traces' draws are cold taps, of
    the household's none. ``setpoint`` and ``inlet`` [°C] and ``drain`` [W] (a pump's loop, a load) over
    seconds since the start. ``start`` [°C], just below the setpoint where None.
    """

    volume: float
    watts: float
    setpoint: Callable[[FloatArray], FloatArray]
    inlet: Callable[[FloatArray], FloatArray]
    drain: Callable[[FloatArray], FloatArray]
    deadband: float = 5.0
    loss: float = 3.0
    lag: float = 45.0
    room: float = 20.0
    hot: float = 0.35
    start: float | None = None


def level(value: float) -> Callable[[FloatArray], FloatArray]:
    """Return a quantity that stays."""
    return lambda time: np.full_like(time, value)


def season(mean: float, amplitude: float, day: float) -> Callable[[FloatArray], FloatArray]:
    """Return cold water [°C] through the year, coldest at day 45 (the ground lags); ``day`` the first."""
    return lambda time: mean - amplitude * np.cos(2.0 * np.pi * (time / DAY + day - 45.0) / 365.0)


def of(known: Known, **changes: object) -> Heat:
    """Return the heater of a kept trace in this model, with ``changes``."""
    heat = Heat(known.volume, known.input * known.efficiency, level(known.setpoint), level(12.0), level(0.0))
    hot = 1.0 if known.name == HOUSEHOLD.name else heat.hot
    return replace(replace(heat, loss=0.02 * known.volume, hot=hot), **changes)  # type: ignore[arg-type]


def run(heat: Heat, draw: FloatArray, step: float) -> Trace:
    """Return the trace of a heater with ``draw`` [mL a step] out of its line, a share of it hot."""
    clock = np.arange(1, len(draw) + 1) * step
    tops = heat.setpoint(clock)
    capacity = heat.volume * _HEAT
    # What a draw leaves of the old water, a plug of cold mixed in at once.
    kept = np.exp(-heat.hot * draw / 1000.0 / heat.volume)
    smooth = 1.0 - np.exp(-step / heat.lag)
    warm, burner = np.empty(len(draw)), np.zeros(len(draw))
    start = float(tops[0]) - 1.0 if heat.start is None else heat.start
    temperature, on, power = start, False, 0.0
    columns = (tops, heat.inlet(clock), heat.drain(clock), kept)
    for i, (top, cold, extra, share) in enumerate(zip(*(c.tolist() for c in columns), strict=True)):
        if temperature >= top:
            on = False
        elif temperature < top - heat.deadband:
            on = True
        power += smooth * (heat.watts * on - power)
        temperature = cold + (temperature - cold) * share
        lost = heat.loss * (temperature - heat.room) + extra
        temperature += (power - lost) * step / capacity
        warm[i], burner[i] = temperature, on
    return Trace(step, _grown(warm, start) * heat.volume * 1000.0, draw, burner, warm)


def _grown(warm: FloatArray, start: float) -> FloatArray:
    """Return the growth of each step over the volume: the integral of beta."""
    fine = np.arange(0.0, 100.0, 0.1)
    beta = np.interp(fine, WARM, BETA)
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (beta[1:] + beta[:-1]) * 0.1)])
    return np.diff(np.interp(np.concatenate([[start], warm]), fine, integral))


def draws_of(known: Known, first: float, length: float, away: tuple[float, float] | None = None) -> Trace:
    """Return a kept trace from day ``first`` on; nobody draws in the days ``away`` since its start."""
    trace = days(known.load(), first, first + length)
    if away is None:
        return trace
    draw = trace.draw.copy()
    draw[round(away[0] * DAY / trace.step) : round(away[1] * DAY / trace.step)] = 0.0
    return replace(trace, draw=draw)


def together(one: Trace, two: Trace) -> Trace:
    """Return two heaters on one line, of which only the first reports its burner and temperature."""
    return replace(one, growth=one.growth + two.growth, draw=one.draw + two.draw)


def loop(rng: np.random.Generator, heat: Heat, length: float, step: float = 10.0) -> Trace:
    """Return a heating loop: no draws, a load that follows the weather and the hour."""
    phase, mean = float(rng.uniform(0.0, 10.0)), float(rng.uniform(0.15, 0.6))

    def load(time: FloatArray) -> FloatArray:
        weather = 1.0 + 0.3 * np.sin(2.0 * np.pi * (time / DAY / 6.0 + phase))
        hour = time / 3600.0 % 24.0
        night = np.where((hour > 22.0) | (hour < 5.5), 0.4, 1.0)
        return np.asarray(heat.watts * mean * weather * night)

    count = round(length * DAY / step)
    return run(replace(heat, drain=load), np.zeros(count), step)
