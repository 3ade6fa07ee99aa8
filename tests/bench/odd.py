"""Scenarios that need a trace or a supply of their own: healthy plants that look odd, and leaks at rest."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tests.bench import lottery
from tests.bench.lottery import Truth, log_uniform
from tests.plants import faults, mixed
from tests.plants.cushion import Relief
from tests.plants.faults import Steps
from tests.plants.leaks import Leaks
from tests.plants.library import Known, library
from tests.plants.size import vessel_for
from tests.plants.trace import DAY, FloatArray, Trace

if TYPE_CHECKING:
    from tests.bench.every import Draft


def _run(d: Draft, *, away: tuple[float, float] | None = None, **changes: object) -> None:
    known, first, length = d.known, d.first_day, d.days
    heat = mixed.of(known, **changes)

    def made() -> Trace:
        draws = mixed.draws_of(known, first, length, away)
        return mixed.run(heat, draws.draw, draws.step)

    d.made = made


def steps(d: Draft) -> None:
    """Let the street's pressure be set anew one to four times."""
    count = int(d.rng.integers(1, 5))
    times = np.sort(d.rng.uniform(2.0, d.days, count)) * DAY
    kpa = d.rng.choice([-1.0, 1.0], count) * np.exp(d.rng.uniform(np.log(5.0), np.log(100.0), count))
    levels = np.clip(np.cumsum(kpa), -60.0, 40.0)
    d.case = replace(d.case, steps=Steps(tuple(times.tolist()), tuple(levels.tolist())))
    start = float(d.air.course) if isinstance(d.air.course, float) else d.supply
    also = set()
    if start / (d.supply + levels.min()) > 1.1:
        also.add("air_charge_high")
    if start / (d.supply + levels.max()) < 0.88:
        also.add("air_charge_low")
    d.truth = Truth("", also=frozenset(also))


def swing(d: Draft) -> None:
    """Let the street's pressure swing by 50 to 100 kPa a day."""
    d.supply = min(d.supply, 470.0)
    d.air = lottery.Charge(d.supply * float(d.rng.uniform(0.93, 1.02)))
    d.case = replace(d.case, swing=float(d.rng.uniform(50.0, 100.0)), wander=log_uniform(d.rng, 4.0, 10.0))


def holiday(d: Draft) -> None:
    """Let nobody draw for a week."""
    first = float(d.rng.uniform(2.0, max(d.days - 9.0, 2.5)))
    d.case = replace(d.case, cold_draws=0.0)
    _run(d, away=(first, first + 7.0))


def leak_shut(d: Draft) -> None:
    """Let a hole drain the line while the valve upstream is shut and nobody is there."""
    first = float(d.rng.uniform(2.0, 0.5 * d.days))
    last = first + float(d.rng.uniform(3.0, 8.0))
    d.case = replace(d.case, cold_draws=0.0)
    _run(d, away=(first, last))
    d.leak(faults.leaking(d.rng, d.supply, first * DAY, last * DAY))
    d.truth = Truth("water_loss", first * DAY)


def setpoint(d: Draft) -> None:
    """Let the setpoint be changed by 4 to 12 K once."""
    when = float(d.rng.uniform(4.0, 0.7 * d.days)) * DAY
    kelvin = float(d.rng.choice([-1.0, 1.0]) * d.rng.uniform(4.0, 12.0))
    before = d.known.setpoint

    def top(time: FloatArray) -> FloatArray:
        return np.where(time < when, before, before + kelvin)

    _run(d, setpoint=top)


def recirculation(d: Draft) -> None:
    """Let a pump circulate, by day or always: standby reheats every hour or so."""
    watts, by_day = log_uniform(d.rng, 100.0, 700.0), bool(d.rng.random() < 0.5)

    def drain(time: FloatArray) -> FloatArray:
        hour = time / 3600.0 % 24.0
        return np.where((hour > 6.0) & (hour < 22.0) | (not by_day), watts, 0.0)

    _run(d, drain=drain)


def seasonal(d: Draft) -> None:
    """Let the cold water follow a year that swings by 5 to 10 K to both sides."""
    cold = mixed.season(
        float(d.rng.uniform(9.0, 15.0)), float(d.rng.uniform(5.0, 9.0)), d.rng.uniform(0, 365)
    )
    _run(d, inlet=cold)


def two_heaters(d: Draft) -> None:
    """Let a second heater, of which nothing is read, share line and tank."""
    known, first, length = d.known, d.first_day, d.days
    traces = library()
    second = traces[str(d.rng.choice([name for name in sorted(traces) if name != known.name]))]
    later = float(d.rng.integers(0, 25))
    d.vessel *= 1.0 + second.volume / known.volume

    def made() -> Trace:
        return mixed.together(mixed.draws_of(known, first, length), mixed.draws_of(second, later, length))

    d.made = made


def flats(d: Draft) -> None:
    """Take the flats."""
    d.known = library()["flats"]


def _loop(d: Draft) -> None:
    volume = log_uniform(d.rng, 150.0, 1500.0)
    watts = volume * log_uniform(d.rng, 15.0, 60.0)
    warm = float(d.rng.uniform(50.0, 75.0))
    d.known = Known("loop", "loop", volume, watts / 0.9, 0.9, warm, library()["flats"].load)
    d.supply = float(d.rng.uniform(100.0, 180.0))
    d.fitting = replace(d.fitting, relief=Relief(300.0, 300.0), elastic_ml_per_kpa=volume * 0.002)
    d.air = lottery.Charge(d.supply - 15.0)
    d.case = replace(d.case, cold_draws=0.0, swing=1.0, wander=0.5)
    heat = mixed.Heat(
        volume,
        watts,
        mixed.level(warm),
        mixed.level(10.0),
        mixed.level(0.0),
        deadband=float(d.rng.uniform(5.0, 12.0)),
        lag=60.0,
        start=15.0,
    )
    seed, length = int(d.rng.integers(0, 2**31)), d.days
    d.vessel = vessel_for(d.known, d.supply, 250.0, d.fitting) * float(d.rng.uniform(1.0, 1.6))
    d.made = lambda: mixed.loop(np.random.default_rng(seed), heat, length)


def sound_loop(d: Draft) -> None:
    """Take a heating loop, filled through a valve that stands open or shut, and sound."""
    _loop(d)
    if d.rng.random() < 0.5:
        d.leak(Leaks(shut=((0.0, d.days * DAY + 1.0),)))


def leak_loop(d: Draft) -> None:
    """Let a loop that is shut off from its filling lose water."""
    _loop(d)
    began = d.began()
    d.leak(faults.losing_fill(d.rng, d.supply, d.give, d.days, began))
    d.truth = Truth("water_loss", began)
