"""A cushion on a trace: the pressure that a sensor would report, and the truth behind it.

    apply_cushion(household(), vessel_litres=8.0, precharge_kpa=414.0, supply_kpa=414.0, seed=1)

The closed line holds what the heater's water grows by; draws take it out again; the check valve lets the
supply in when it is the higher (and so keeps the highest supply pressure since the last draw).
Pressures in and out are gauge [kPa]; absolute inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from tests.plants import leaks
from tests.plants.leaks import Leaks, Step
from tests.plants.line import Line
from tests.plants.trace import FloatArray, Trace, finer

Course = float | FloatArray | Callable[[FloatArray], FloatArray]
"""A quantity over time: constant, one value a step, or a function of seconds since the start."""

Spans = Sequence[tuple[float, float]]
"""Spans in seconds since the start."""


def atmosphere(altitude: float) -> float:
    """Return the pressure of the standard atmosphere [kPa] at ``altitude`` [m]; ISO 2533, troposphere."""
    return float(101.325 * (1.0 - 0.0065 * altitude / 288.15) ** 5.25588)


@dataclass(frozen=True, slots=True)
class Relief:
    """A relief valve: opens at ``setting``, shuts at ``reseat`` [kPa gauge]; equal: it holds a plateau."""

    setting: float = math.inf
    reseat: float = math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Inside:
    """What happened in the line at each step: absolute pressure [kPa], relieved water [mL]."""

    pressure: FloatArray
    relieved: FloatArray


@dataclass(frozen=True, slots=True)
class Sensor:
    """What reading adds: all that a cheap logger does.

    ``every`` [s] between samples (``jitter`` its standard deviation); ``noise`` and ``resolution`` [kPa];
    ``offset`` [kPa]; ``gaps`` without any reading; ``heater_clock`` [s]: how late the
    heater's states come.
    """

    every: float = 10.0
    jitter: float = 0.0
    noise: float = 0.3
    resolution: float = 0.1
    offset: float = 0.0
    gaps: Spans = ()
    heater_clock: float = 0.0
    heater: bool = True
    temperature: bool = True
    temperature_noise: float = 0.2
    temperature_offset: float = 0.0
    upstream: bool = False


@dataclass(frozen=True, slots=True)
class Fitting:
    """What is built in besides vessel and charge; see `Line`. ``draw_drop``: kPa below supply at 10 L/min.

    ``shell``: share of free expansion that the heater's steel takes part in, see `held_by_shell`.
    ``leaks``: ways for water besides taps and relief valve.
    """

    elastic_ml_per_kpa: float = 0.6
    gamma: float = 1.0
    relaxation_s: float = math.inf
    friction_kpa: float = 0.0
    draw_drop_kpa: float = 40.0
    relief: Relief = field(default_factory=Relief)
    altitude: float = 0.0
    shell: float = 0.0
    leaks: Leaks = field(default_factory=Leaks)


STEEL: Final = 3.0 * 12.0e-6
"""Cubic expansion of unalloyed steel [1/K]: three times 12e-6 1/K, EN 1993-1-1:2005 section 3.2.6."""

WARM: Final = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0)
BETA: Final = (1.6e-5, 8.8e-5, 2.07e-4, 3.03e-4, 3.85e-4, 4.58e-4, 5.23e-4, 5.84e-4, 6.41e-4, 6.96e-4)
"""Expansion of water [1/K] at these temperatures [°C]; handbook values, 1 atm."""


def held_by_shell(trace: Trace, share: float) -> FloatArray:
    """Return the growth that is left for the line where the heater's shell grows with its water [mL a step].

    Water that warms by dT grows by beta V dT; the steel around it, at the water's temperature within a
    minute, opens by 3 alpha V dT, so that the share 3 alpha / beta of the growth never leaves the heater:
    9 % at 40 °C, 7 % at 60 °C. What cools gives it back by the same rule. ``share`` is below 1 where heads
    and fittings hold the shell or a part of it stays cool, above 1 for a lining that is stretched or copper.
    The kept traces know one temperature; below 30 °C, where beta vanishes, the value of 30 °C stands
    for a heater that is still warm above.
    """
    beta = np.interp(np.maximum(trace.top, 30.0), WARM, BETA)
    return np.asarray(trace.growth * (1.0 - share * STEEL / beta))


def course(value: Course, time: FloatArray) -> FloatArray:
    """Return a quantity at each of ``time``."""
    if callable(value):
        return np.broadcast_to(np.asarray(value(time), dtype=float), time.shape)
    return np.broadcast_to(np.asarray(value, dtype=float), time.shape)


def _line(fitting: Fitting, vessel: float, air: float, pressure: float) -> Line:
    return Line(
        vessel=vessel,
        air=air,
        elastic=fitting.elastic_ml_per_kpa,
        pressure=pressure,
        gamma=fitting.gamma,
        relaxation=fitting.relaxation_s,
        friction=fitting.friction_kpa,
    )


def _floor(trace: Trace, supply: FloatArray, fitting: Fitting) -> FloatArray:
    """Return the absolute pressure below which the supply comes in, lower while taps run."""
    outside = atmosphere(fitting.altitude)
    flow = trace.draw / trace.step * 0.06  # mL/s -> L/min
    return np.maximum(supply + outside - fitting.draw_drop_kpa * (flow / 10.0) ** 2, outside)


def _opened(trace: Trace, spans: Spans) -> list[bool]:
    now = np.zeros(len(trace), bool)
    for first, last in spans:
        now[round(first / trace.step) : round(last / trace.step)] = True
    return [bool(is_open) for is_open in now]


def run_line(
    trace: Trace,
    *,
    vessel_litres: float,
    charge: FloatArray,
    supply: FloatArray,
    fitting: Fitting,
    open_spans: Spans = (),
) -> Inside:
    """Return what the line does under a trace; ``charge`` and ``supply`` [kPa gauge], one value a step.

    In ``open_spans`` the water side is relieved (a service visit); afterwards the supply is let in.
    """
    outside, step = atmosphere(fitting.altitude), trace.step
    air = np.maximum(charge + outside, 0.0) * vessel_litres * 1000.0
    line = _line(fitting, vessel_litres * 1000.0, float(air[0]), float(supply[0] + outside))
    opens = fitting.relief.setting + outside
    shuts = min(fitting.relief.reseat, fitting.relief.setting) + outside
    pressure, relieved = np.empty(len(trace)), np.zeros(len(trace))
    growth = held_by_shell(trace, fitting.shell) if fitting.shell > 0.0 else trace.growth
    columns = (growth - trace.draw, _floor(trace, supply, fitting), air)
    rows = zip(*(column.tolist() for column in columns), _opened(trace, open_spans), strict=True)
    clock = np.arange(1, len(trace) + 1) * step
    seeping = leaks.worn(fitting.leaks, clock), leaks.shut(fitting.leaks, clock)
    for i, (volume, lowest, line.air, is_open) in enumerate(rows):
        if is_open:
            line.hold(outside, step)
            pressure[i] = outside
            continue
        line.push(volume, step)
        least = outside if seeping[1][i] else lowest
        if seeping[0][i]:
            leaks.seep(line, fitting.leaks, Step(lowest, outside, step, shut=seeping[1][i]))
        if line.pressure < least:
            line.hold(least, step)
        elif line.pressure > opens:
            relieved[i] = -line.hold(shuts, step)
        pressure[i] = line.pressure
    return Inside(pressure, relieved)


def sample_times(days: float, sensor: Sensor, rng: np.random.Generator) -> FloatArray:
    """Return the instants of the samples, seconds since the start."""
    regular = np.arange(1, math.floor(days * 86400.0 / sensor.every)) * sensor.every
    if sensor.jitter > 0.0:
        limit = 0.45 * sensor.every
        regular = regular + np.clip(rng.normal(0.0, sensor.jitter, len(regular)), -limit, limit)
    keep = np.ones(len(regular), bool)
    for first, last in sensor.gaps:
        keep &= (regular < first) | (regular >= last)
    return np.asarray(regular[keep])


def read(value: FloatArray, noise: float, resolution: float, rng: np.random.Generator) -> FloatArray:
    """Return ``value`` with noise, rounded to the resolution."""
    noisy = value + rng.normal(0.0, noise, len(value)) if noise > 0.0 else value
    return np.round(noisy / resolution) * resolution if resolution > 0.0 else noisy


Result = dict[str, FloatArray]

FINEST: Final = (10.0, 5.0, 2.0, 1.0)
"""Steps at which the plant can run: the coarsest that is not longer than the sampling interval."""


def apply_cushion(
    trace: Trace,
    *,
    vessel_litres: float,
    precharge_kpa: Course,
    supply_kpa: Course,
    fitting: Fitting | None = None,
    sensor: Sensor | None = None,
    open_spans: Spans = (),
    seed: int = 0,
) -> Result:
    """Return readings and truth.

    ``time`` [s since the start], ``pressure`` [kPa gauge], ``heater`` 0/1 and ``temperature`` [°C] (NaN where
    not read), ``truth_charge_kpa`` [kPa gauge] and, one value a plant step,
    ``plant_time``, ``plant_pressure`` [kPa gauge], ``plant_relieved`` [mL], ``plant_burner`` 0/1.

    The charge is what a gauge on the relieved vessel would read; where less than an atmosphere
    of gas is left it goes below 0 gauge, so that it still tells how much.
    """
    fitting = fitting or Fitting()
    sensor = sensor or Sensor()
    step = next((s for s in FINEST if s <= min(sensor.every, trace.step)), FINEST[-1])
    trace = finer(trace, step) if step < trace.step else trace
    clock = np.arange(1, len(trace) + 1) * trace.step
    charge = course(precharge_kpa, clock)
    supply = course(supply_kpa, clock)
    inside = run_line(
        trace,
        vessel_litres=vessel_litres,
        charge=charge,
        supply=supply,
        fitting=fitting,
        open_spans=open_spans,
    )
    gauge = inside.pressure - atmosphere(fitting.altitude)
    seen = supply if sensor.upstream else gauge
    log = logged(trace, clock, seen, sensor, np.random.default_rng([seed, 7]))
    return {
        **log,
        "truth_charge_kpa": np.interp(log["time"], clock, charge),
        "plant_time": clock,
        "plant_pressure": gauge,
        "plant_relieved": inside.relieved,
        "plant_burner": trace.burner,
    }


def logged(
    trace: Trace, clock: FloatArray, seen: FloatArray, sensor: Sensor, rng: np.random.Generator
) -> Result:
    """Return what a logger keeps of ``seen`` [kPa gauge, one value a plant step]; columns as `apply_cushion`."""
    time = sample_times(trace.days, sensor, rng)
    pressure = np.interp(time, clock, seen) + sensor.offset
    state = np.clip(((time - sensor.heater_clock) / trace.step).astype(int), 0, len(trace) - 1)
    warm = np.interp(time, clock, trace.top) + sensor.temperature_offset
    nothing = np.full(len(time), np.nan)
    return {
        "time": time,
        "pressure": read(pressure, sensor.noise, sensor.resolution, rng),
        "heater": trace.burner[state] if sensor.heater else nothing,
        "temperature": read(warm, sensor.temperature_noise, 0.1, rng) if sensor.temperature else nothing,
    }
