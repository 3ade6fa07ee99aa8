"""Ways to go blind: what each makes of a sound plant, and what may rightly be said of it then."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.bench.lottery import Ticket, log_uniform
from tests.plants import faults
from tests.plants.cushion import Result, atmosphere
from tests.plants.faults import Spoil
from tests.plants.leaks import Leaks
from tests.plants.trace import DAY, Trace

Blind = Callable[[Ticket, float, np.random.Generator], Ticket]
"""From a sound plant, the day on which it begins and a generator to the plant gone blind."""


@dataclass(frozen=True, slots=True)
class Mode:
    """``right``: codes that are no false fault here. ``unseen``: whether a lost cushion could not be seen."""

    blind: Blind
    right: frozenset[str] = frozenset()
    from_start: bool = False
    lasts: float = math.inf
    unseen: bool = True


def _spoilt(make: Callable[[float, np.random.Generator], Spoil]) -> Blind:
    def blind(ticket: Ticket, day: float, rng: np.random.Generator) -> Ticket:
        return replace(ticket, case=replace(ticket.case, spoil=make(day * DAY, rng)))

    return blind


def _silent(days: float) -> Blind:
    def blind(ticket: Ticket, day: float, _: np.random.Generator) -> Ticket:
        gap = (day * DAY, (day + days) * DAY)
        return replace(ticket, case=replace(ticket.case, sensor=replace(ticket.case.sensor, gaps=(gap,))))

    return blind


def _upstream(ticket: Ticket, _: float, __: np.random.Generator) -> Ticket:
    return replace(ticket, case=replace(ticket.case, sensor=replace(ticket.case.sensor, upstream=True)))


def _leaky(make: Callable[[float, float, np.random.Generator, Ticket], Leaks]) -> Blind:
    def blind(ticket: Ticket, day: float, rng: np.random.Generator) -> Ticket:
        case = ticket.case
        outside = atmosphere(case.fitting.altitude)
        gas = case.vessel_litres * 1000.0 * case.supply / (case.supply + outside) ** 2
        leaks = make(day * DAY, case.fitting.elastic_ml_per_kpa + gas, rng, ticket)
        return replace(ticket, case=replace(case, fitting=replace(case.fitting, leaks=leaks)))

    return blind


def _relief_open(began: float, _: float, rng: np.random.Generator, ticket: Ticket) -> Leaks:
    """A relief valve (or a tap) that runs 0.6 to 3.6 L a minute: the supply holds the line."""
    return Leaks(began=began, out=log_uniform(rng, 10.0, 60.0) / ticket.case.supply)


def _draws(share: float) -> Blind:
    """Let taps run 3.6 L a minute for this share of every two minutes in which the burner is on."""

    def blind(ticket: Ticket, day: float, _: np.random.Generator) -> Ticket:
        def made() -> Trace:
            trace = ticket.trace()
            clock = np.arange(1, len(trace) + 1) * trace.step
            runs = (clock > day * DAY) & (trace.burner > 0.5) & (clock % 120.0 < 120.0 * share)
            return replace(trace, draw=trace.draw + np.where(runs, 60.0 * trace.step, 0.0))

        return replace(ticket, made=made)

    return blind


def _no_state(began: float, _: np.random.Generator) -> Spoil:
    return faults.held_at(began, math.nan)


def _clock(began: float, rng: np.random.Generator) -> Spoil:
    return faults.apart(began, float(rng.choice([-1.0, 1.0]) * rng.uniform(1800.0, 4 * 3600.0)))


def _wandering_clock(began: float, rng: np.random.Generator) -> Spoil:
    """Let the heater's states come up to half an hour early or late, by another amount each day."""
    offsets = rng.uniform(-1800.0, 1800.0, 400)

    def spoil(result: Result, _: np.random.Generator) -> Result:
        time = result["time"]
        late = np.where(time >= began, offsets[(time // DAY).astype(int)], 0.0)
        index = np.clip(np.searchsorted(time, time - late), 0, len(time) - 1)
        return {**result, "heater": result["heater"][index]}

    return spoil


def _other_unit(began: float, rng: np.random.Generator) -> Spoil:
    """Let a device be set to another unit: psi read as kPa, kPa as bar, gauge as absolute."""
    factor, more = ((1.0 / 6.894757, 0.0), (0.01, 0.0), (1.0, 101.325))[int(rng.integers(0, 3))]

    def spoil(result: Result, _: np.random.Generator) -> Result:
        changed = result["pressure"] * factor + more
        return {**result, "pressure": np.where(result["time"] >= began, changed, result["pressure"])}

    return spoil


def _kept(share: float, minutes: float) -> Callable[[float, np.random.Generator], Spoil]:
    """Let only a share of the readings arrive, in stretches of ``minutes``."""

    def make(began: float, _: np.random.Generator) -> Spoil:
        def spoil(result: Result, rng: np.random.Generator) -> Result:
            time = result["time"]
            stretch = (time / (minutes * 60.0)).astype(int)
            keep = (rng.random(int(stretch[-1]) + 1) < share)[stretch] | (time < began)
            read = {"time", "pressure", "heater", "temperature", "truth_charge_kpa"}
            return {key: value[keep] if key in read else value for key, value in result.items()}

        return spoil

    return make


def _spikes(began: float, _: np.random.Generator) -> Spoil:
    """Let a hundred single readings a day be 50 to 400 kPa off: hammer."""

    def spoil(result: Result, rng: np.random.Generator) -> Result:
        time, pressure = result["time"], result["pressure"].copy()
        count = int(100.0 * max(time[-1] - began, 0.0) / DAY)
        hit = rng.integers(np.searchsorted(time, began), len(time), count)
        pressure[hit] += rng.choice([-1.0, 1.0], count) * rng.uniform(50.0, 400.0, count)
        return {**result, "pressure": pressure}

    return spoil


_SENSOR: Final = frozenset({"pressure_sensor_fault"})
_STATE: Final = frozenset({"heater_state_fault"})
_OPEN: Final = frozenset({"check_valve_passing", "water_loss"})

MODES: Final[dict[str, Mode]] = {
    "no data": Mode(_silent(1e3)),
    "silent gap of 5 days": Mode(_silent(5.0), lasts=5.0),
    "sensor upstream": Mode(_upstream, _SENSOR | {"check_valve_passing"}, from_start=True),
    "sensor stuck": Mode(_spoilt(lambda began, _: faults.stuck(began)), _SENSOR),
    "frozen line": Mode(
        _spoilt(lambda began, rng: faults.frozen(began, log_uniform(rng, 12.0, 72.0))), _SENSOR
    ),
    "sensor out of range": Mode(_spoilt(lambda began, _: faults.out_of_range(began, -25.0)), _SENSOR),
    "another unit": Mode(_spoilt(_other_unit), _SENSOR | {"water_loss"}),
    "no heater state": Mode(_spoilt(_no_state), _STATE, from_start=True),
    "heater state ends": Mode(_spoilt(_no_state), _STATE),
    "heater state stuck off": Mode(_spoilt(lambda began, _: faults.held_at(began, 0.0)), _STATE),
    "heater state stuck on": Mode(_spoilt(lambda began, _: faults.held_at(began, 1.0)), _STATE),
    "heater state inverted": Mode(_spoilt(lambda began, _: faults.inverted(began)), _STATE),
    "inverted from the start": Mode(
        _spoilt(lambda began, _: faults.inverted(began)), _STATE, from_start=True
    ),
    "another device's state": Mode(
        _spoilt(lambda began, rng: faults.unrelated(began, rng.uniform(5, 30), rng.uniform(30, 180))), _STATE
    ),
    "clocks apart by hours": Mode(_spoilt(_clock), _STATE),
    "clocks that wander": Mode(_spoilt(_wandering_clock), _STATE),
    "draws through every burn": Mode(_draws(1.0), _OPEN),
    "check valve stuck open": Mode(
        _leaky(lambda began, give, rng, _: faults.passing(rng, give, began, at_once=True)), _OPEN | _SENSOR
    ),
    "relief valve stuck open": Mode(_leaky(_relief_open), _OPEN | _SENSOR | {"relief_discharging"}),
    "draws for half of a burn": Mode(_draws(0.5), unseen=False),
    "half the hours missing": Mode(_spoilt(_kept(0.5, 60.0)), unseen=False),
    "9 of 10 readings missing": Mode(_spoilt(_kept(0.1, 0.01)), unseen=False),
    "a hundred spikes a day": Mode(_spoilt(_spikes), unseen=False),
}
