"""Faults planted on a case: in the line (`leaks`), in the pressure sensor, in the heater's state.

    case = replace(case, fitting=replace(case.fitting, leaks=creeping(rng, supply, began)))
    result = spoilt(plant(case, seed), stuck(began), seed)

Every recipe draws its degree wide from the generator it is given. Times in seconds since the start.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.plants.cushion import Result
from tests.plants.leaks import Leaks
from tests.plants.trace import DAY, FloatArray

Spoil = Callable[[Result, np.random.Generator], Result]
"""What a faulty device makes of the readings; the truth in a result stays as it is."""

PSI = 6.894757293168361


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# The line


def creeping(rng: np.random.Generator, supply: float, began: float = 0.0) -> Leaks:
    """Return a regulator whose seat leaks: 0.2 to 15 L in eight hours towards 100 to 400 kPa more.

    Between draws the line climbs towards the street; the next draw takes it back to what is set.
    """
    street = supply + float(rng.uniform(100.0, 400.0))
    volume = _log_uniform(rng, 200.0, 15000.0)
    return Leaks(began=began, creep=volume / (8.0 * 3600.0) / (street - supply), street=street)


def passing(rng: np.random.Generator, give: float, began: float = 0.0, *, at_once: bool = False) -> Leaks:
    """Return a check valve that passes: a line with ``give`` [mL/kPa] falls back with 1 to 40 minutes.

    ``at_once``: it stands open, a burner's growth makes no pressure to speak of.
    """
    seconds = _log_uniform(rng, 0.5, 5.0) if at_once else _log_uniform(rng, 60.0, 2400.0)
    return Leaks(began=began, back=give / seconds)


def leaking(rng: np.random.Generator, supply: float, began: float, ended: float) -> Leaks:
    """Return a hole of 0.05 to 5 L an hour downstream, while the valve upstream is shut."""
    flow = _log_uniform(rng, 50.0, 5000.0) / 3600.0
    return Leaks(began=began, ended=ended, out=flow / supply, shut=((began, ended),))


def losing_fill(rng: np.random.Generator, supply: float, give: float, days: float, began: float) -> Leaks:
    """Return a loop, shut off from its filling, that weeps: 15 to 80 % of its pressure gone by the end."""
    part = float(rng.uniform(0.15, 0.8))
    seconds = max(days * DAY - began, DAY)
    out = -np.log(1.0 - part) * give / seconds
    return Leaks(began=began, out=float(out), shut=((0.0, days * DAY + 1.0),))


# The pressure sensor


def _since(result: Result, began: float, pressure: FloatArray) -> Result:
    return {**result, "pressure": np.where(result["time"] >= began, pressure, result["pressure"])}


def _first(result: Result, began: float) -> int:
    return min(int(np.searchsorted(result["time"], began)), len(result["time"]) - 1)


def stuck(began: float) -> Spoil:
    """Return a sensor that repeats its last value."""

    def spoil(result: Result, _: np.random.Generator) -> Result:
        held = float(result["pressure"][_first(result, began)])
        return _since(result, began, np.full(len(result["time"]), held))

    return spoil


def frozen(began: float, hours: float, noise: float = 0.2) -> Spoil:
    """Return a sensor behind a plugged or frozen line: it follows with ``hours``, its own noise goes on."""

    def spoil(result: Result, rng: np.random.Generator) -> Result:
        time, value = result["time"], result["pressure"]
        keep = np.exp(-np.diff(time, prepend=time[0]) / (hours * 3600.0))
        slow, level = value.copy(), float(value[_first(result, began)])
        for i in range(_first(result, began), len(time)):
            level = float(keep[i]) * level + (1.0 - float(keep[i])) * float(value[i])
            slow[i] = level
        return _since(result, began, np.round(slow + rng.normal(0.0, noise, len(time)), 1))

    return spoil


def noisy(began: float, kpa: float) -> Spoil:
    """Return a sensor with ``kpa`` of noise, a tenth of it in spikes five times as high: a loose contact."""

    def spoil(result: Result, rng: np.random.Generator) -> Result:
        count = len(result["time"])
        spikes = np.where(rng.random(count) < 0.1, 5.0, 1.0)
        return _since(result, began, result["pressure"] + rng.normal(0.0, kpa, count) * spikes)

    return spoil


def offset(began: float, kpa: float) -> Spoil:
    """Return a sensor that reads ``kpa`` too much from one reading to the next."""
    return lambda result, _: _since(result, began, result["pressure"] + kpa)


def out_of_range(began: float, value: float) -> Spoil:
    """Return a sensor that reports its lowest or highest: a broken or shorted wire."""
    return lambda result, _: _since(result, began, np.full(len(result["time"]), value))


def dropping(began: float, value: float, share: float, minutes: float) -> Spoil:
    """Return a sensor that reports ``value`` for a ``share`` of the time, ``minutes`` at a stretch."""

    def spoil(result: Result, rng: np.random.Generator) -> Result:
        time = result["time"]
        beats = rng.random(int(time[-1] // (minutes * 60.0)) + 2) < share
        gone = beats[(time // (minutes * 60.0)).astype(int)]
        return _since(result, began, np.where(gone, value, result["pressure"]))

    return spoil


# The heater's state


def _state_since(result: Result, began: float, state: FloatArray) -> Result:
    return {**result, "heater": np.where(result["time"] >= began, state, result["heater"])}


def inverted(began: float) -> Spoil:
    """Return a contact that is closed while the burner is off."""
    return lambda result, _: _state_since(result, began, 1.0 - result["heater"])


def held_at(began: float, state: float) -> Spoil:
    """Return a contact that is stuck on (1) or off (0)."""
    return lambda result, _: _state_since(result, began, np.full(len(result["time"]), state))


def unrelated(began: float, on_minutes: float, off_minutes: float) -> Spoil:
    """Return the state of another device: on and off for lognormal times, not asking the heater."""

    def spoil(result: Result, rng: np.random.Generator) -> Result:
        last, count = float(result["time"][-1]), 64
        edges = np.zeros(1)
        while edges[-1] < last:
            spans = np.tile([off_minutes, on_minutes], count) * 60.0 * rng.lognormal(0.0, 0.5, 2 * count)
            edges = np.concatenate([edges, edges[-1] + np.cumsum(spans)])
        state = (np.searchsorted(edges, result["time"], side="right") + 1) % 2
        return _state_since(result, began, state.astype(float))

    return spoil


def apart(began: float, seconds: float) -> Spoil:
    """Return states that come ``seconds`` late (early where negative): two clocks."""

    def spoil(result: Result, _: np.random.Generator) -> Result:
        time = result["time"]
        index = np.clip(np.searchsorted(time, time - seconds), 0, len(time) - 1)
        return _state_since(result, began, result["heater"][index])

    return spoil


@dataclass(frozen=True, slots=True)
class Steps:
    """A supply that is set anew by ``kpa`` at each of ``times`` [s], on top of what else it does."""

    times: tuple[float, ...] = ()
    kpa: tuple[float, ...] = ()

    def at(self, time: FloatArray) -> FloatArray:
        """Return what to add to the supply [kPa]."""
        if not self.times:
            return np.zeros_like(time)
        return np.concatenate([[0.0], np.asarray(self.kpa)])[np.searchsorted(self.times, time)]
