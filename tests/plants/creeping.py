"""A line behind a pressure reducing valve whose seat leaks: between draws it fills on from the street.

The line of `tests.plants.line`; the case's supply is what the reducing valve is set to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.plants.cases import Case
from tests.plants.cushion import Result, atmosphere, course, logged
from tests.plants.library import library
from tests.plants.line import Line
from tests.plants.supply import wandering
from tests.plants.trace import FloatArray, Trace, days, finer, with_cold_draws


@dataclass(frozen=True, slots=True)
class Seat:
    """From ``began`` [s] on the seat passes ``leak`` [mL/(s kPa)] of what the street stands above the line.

    ``street``, its ``swing`` and the outlet's own ``wander`` [kPa].
    """

    leak: float
    street: float = 600.0
    swing: float = 40.0
    wander: float = 2.0
    began: float = 0.0


def creeping(case: Case, seat: Seat, seed: int, trace: Trace | None = None) -> Result:
    """Return readings of a case behind a reducing valve; times in seconds since its start."""
    rng = np.random.default_rng([seed, 11])
    ran = days(library()[case.trace].load() if trace is None else trace, 0.0, case.days)
    if case.cold_draws > 0.0:
        ran = with_cold_draws(ran, rng, case.cold_draws)
    step = next(s for s in (10.0, 5.0, 2.0, 1.0) if s <= min(case.sensor.every, ran.step))
    ran = finer(ran, step) if step < ran.step else ran
    clock = np.arange(1, len(ran) + 1) * ran.step
    street = wandering(clock, np.random.default_rng([seed, 13]), mean=seat.street, swing=seat.swing)
    outlet = wandering(
        clock, np.random.default_rng([seed, 17]), mean=case.supply, swing=0.0, wander=seat.wander
    )
    inside = _run(case, seat, ran, clock, street, outlet)
    return logged(ran, clock, inside, case.sensor, np.random.default_rng([seed, 7]))


def _run(
    case: Case, seat: Seat, trace: Trace, clock: FloatArray, street: FloatArray, outlet: FloatArray
) -> FloatArray:
    """Return the gauge pressure [kPa] at each step."""
    outside, fitting = atmosphere(case.fitting.altitude), case.fitting
    air = np.maximum(course(case.charge, clock) + outside, 0.0) * case.vessel_litres * 1000.0
    line = Line(
        vessel=case.vessel_litres * 1000.0,
        air=float(air[0]),
        elastic=fitting.elastic_ml_per_kpa,
        pressure=float(outlet[0] + outside),
        gamma=fitting.gamma,
        relaxation=fitting.relaxation_s,
        friction=fitting.friction_kpa,
    )
    flow = trace.draw / trace.step * 0.06
    floor = np.maximum(outlet + outside - fitting.draw_drop_kpa * (flow / 10.0) ** 2, outside)
    leak = np.where(clock >= seat.began, seat.leak, 0.0)
    opens, pressure = fitting.relief.setting + outside, np.empty(len(clock))
    columns = (trace.growth - trace.draw, floor, air, street + outside, leak)
    for i, (volume, lowest, line.air, high, passes) in enumerate(
        zip(*(column.tolist() for column in columns), strict=True)
    ):
        line.push(volume + passes * trace.step * max(high - line.pressure, 0.0), trace.step)
        if line.pressure < lowest:
            line.hold(lowest, trace.step)
        elif line.pressure > opens:
            line.hold(opens, trace.step)
        pressure[i] = line.pressure
    return pressure - outside
