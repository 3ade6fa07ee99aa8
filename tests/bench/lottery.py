"""Plants drawn by seed: every parameter wide, every scenario, what the site file knows drawn as well.

Seeds 0 to 999 are for tuning. Seeds 1000 to 1999 are held out: look at their scores, never tune on them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.plants.cases import PSI, Booked, Case, Wrong, jumping, losing
from tests.plants.cushion import Course, Fitting, Relief, Sensor, Spans, atmosphere, course
from tests.plants.library import Known, library
from tests.plants.trace import DAY, Trace, days

SCENARIOS: Final[Mapping[str, float]] = {
    "healthy": 0.27,
    "slow_loss": 0.25,
    "torn": 0.14,
    "low": 0.12,
    "waterlogged": 0.05,
    "refill": 0.09,
    "silent": 0.05,
    "upstream": 0.03,
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What is wrong with a plant: the first cause ``code`` ("" none) since ``began`` [s since the start].

    ``also``: codes that are no false accusation here, as they are true too or cannot be told apart from
    the pipe. ``grey``: so mild (or so hidden) that it need not be named.
    """

    code: str
    began: float = 0.0
    also: frozenset[str] = frozenset()
    grey: bool = False


@dataclass(frozen=True, slots=True)
class Ticket:
    """A drawn plant: the case, its trace, its scenario, whether its vessel was gauged.

    ``told`` and ``made`` (a trace of its own) are those of plants with every kind of fault.
    """

    seed: int
    scenario: str
    known: Known
    first_day: float
    case: Case
    gauged: bool
    supply: float
    rate: float = 0.0
    told: Truth | None = None
    made: Callable[[], Trace] | None = None

    def trace(self) -> Trace:
        """Return the trace that the plant runs on."""
        if self.made is not None:
            return self.made()
        return days(self.known.load(), self.first_day, self.first_day + self.case.days)


@dataclass(frozen=True, slots=True)
class Charge:
    """The course of the charge and what belongs to it."""

    course: Course
    wrong: tuple[Wrong, ...] = ()
    visits: tuple[Booked, ...] = ()
    open_spans: Spans = ()
    gaps: Spans = ()
    rate: float = 0.0


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Return a draw that is as likely in each octave."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw(seed: int, longest: float = 35.0) -> Ticket:
    """Return the plant of a seed; ``longest`` days are the longest run."""
    rng = np.random.default_rng([seed, 101])
    scenario = str(rng.choice(list(SCENARIOS), p=list(SCENARIOS.values())))
    traces = library()
    known = traces[str(rng.choice(sorted(traces)))]
    length = float(round(rng.uniform(0.6, 1.0) * longest, 1))
    altitude = float(rng.choice([0.0, rng.uniform(0.0, 2000.0)]))
    supply = float(rng.uniform(40.0, 75.0) * PSI)
    healthy = supply * float(rng.uniform(0.93, 1.02))
    air = charge(scenario, rng, length, supply=supply, healthy=healthy, altitude=altitude)
    gauged = bool(rng.random() < 0.5)
    start = float(course(air.course, np.array([3600.0]))[0])
    visits = list(air.visits)
    if gauged:
        visits.insert(
            0, Booked(0.0, "gauged", max(start + rng.normal(0.0, 0.5 * PSI), 0.0), gauge(supply, rng))
        )
    case = Case(
        f"seed-{seed}",
        f"{scenario} on {known.name}",
        length,
        trace=known.name,
        vessel_litres=round(known.volume * log_uniform(rng, 0.03, 0.11), 1),
        charge=air.course,
        supply=supply,
        swing=log_uniform(rng, 5.0, 70.0),
        wander=log_uniform(rng, 1.0, 8.0),
        cold_draws=float(rng.uniform(0.0, 15.0)),
        fitting=fitting(rng, supply, altitude),
        sensor=sensor(rng, air.gaps, upstream=scenario == "upstream"),
        open_spans=air.open_spans,
        visits=tuple(visits),
        wrong=air.wrong,
    )
    said = site(rng, case, known, altitude, max(start, 0.0) if gauged else None)
    # The steel round the water grows with it; from a generator of its own, so that all else stays as drawn.
    grows = float(np.random.default_rng([seed, 102]).uniform(0.6, 1.1))
    case = replace(case, site=said, fitting=replace(case.fitting, shell=grows))
    return Ticket(seed, scenario, known, float(rng.integers(0, 25)), case, gauged, supply, air.rate)


def gauge(pressure: float, rng: np.random.Generator) -> float:
    return float(pressure + rng.normal(0.0, 0.7 * PSI))


def charge(
    scenario: str, rng: np.random.Generator, days: float, *, supply: float, healthy: float, altitude: float
) -> Charge:
    outside = atmosphere(altitude)
    when = float(rng.uniform(4.0, 0.6 * days)) * DAY
    if scenario == "slow_loss":
        rate, begin = log_uniform(rng, 0.003, 0.04), float(rng.uniform(0.0, 7.0))
        course = losing(healthy, rate, from_day=begin, altitude=altitude)
        return Charge(course, (Wrong("air_charge_low", begin * DAY),), rate=rate)
    if scenario == "torn":
        after = float(rng.choice([0.0, rng.uniform(0.0, 0.06)])) * (healthy + outside) - outside
        return Charge(jumping(healthy, after, when), (Wrong("air_cushion_lost", when),))
    if scenario in {"healthy", "upstream"}:
        return Charge(healthy, (Wrong("blind", 0.0),) if scenario == "upstream" else ())
    if scenario == "waterlogged":
        return Charge(
            float(rng.uniform(0.0, 0.06)) * (supply + outside) - outside, (Wrong("air_cushion_lost", 0.0),)
        )
    if scenario == "silent":
        gap = (when, when + float(rng.uniform(2.5, 6.0)) * DAY)
        return Charge(healthy, (Wrong("blind", when),), gaps=(gap,))
    low = supply * float(rng.uniform(0.2, 0.62))
    return _low(rng, low, healthy, supply, when if scenario == "refill" else None)


def _low(rng: np.random.Generator, low: float, healthy: float, supply: float, when: float | None) -> Charge:
    wrong = (Wrong("air_charge_low", 0.0),)
    if when is None:
        return Charge(low, wrong)
    done = when + float(rng.uniform(1200.0, 5400.0))
    visit = Booked(done, "refilled", gauge(healthy, rng), gauge(supply, rng))
    return Charge(jumping(low, healthy, 0.5 * (when + done)), wrong, (visit,), ((when, done),))


def fitting(rng: np.random.Generator, supply: float, altitude: float) -> Fitting:
    # 150 psi on a storage heater, or an expansion valve in bar where it leaves room above the supply.
    settings = [150 * PSI, 150 * PSI] + [bar for bar in (600.0, 700.0, 1000.0) if bar > supply + 150.0]
    setting = float(rng.choice(settings))
    return Fitting(
        elastic_ml_per_kpa=log_uniform(rng, 0.15, 2.0),
        gamma=float(rng.choice([1.0, 1.4])),
        relaxation_s=log_uniform(rng, 30.0, 400.0),
        friction_kpa=float(rng.choice([0.0, rng.uniform(0.0, 4.0)])),
        draw_drop_kpa=log_uniform(rng, 10.0, 80.0),
        relief=Relief(setting, setting * float(rng.choice([1.0, rng.uniform(0.8, 0.97)]))),
        altitude=altitude,
    )


def sensor(rng: np.random.Generator, gaps: Spans, *, upstream: bool) -> Sensor:
    every = float(rng.choice([2.0, 5.0, 10.0, 10.0, 15.0, 30.0, 60.0]))
    return Sensor(
        every=every,
        jitter=float(rng.choice([0.0, 0.05])) * every,
        noise=log_uniform(rng, 0.1, 2.0),
        resolution=float(rng.choice([0.01, 0.1, 1.0, 0.1 * PSI, 0.5 * PSI])),
        offset=float(rng.normal(0.0, 2.0)),
        gaps=gaps,
        heater_clock=float(rng.choice([0.0, rng.uniform(0.0, 60.0)])),
        temperature=bool(rng.random() < 0.6),
        temperature_noise=0.2,
        temperature_offset=float(rng.normal(0.0, 1.0)),
        upstream=upstream,
    )


def site(
    rng: np.random.Generator, case: Case, known: Known, altitude: float, gauged: float | None
) -> dict[str, str | float | None]:
    """Return what the site file says: plates are off, some facts are missing."""
    plate = known.input * (1.0 + float(rng.uniform(-0.05, 0.05)))
    return {
        "name": "",
        "altitude": f"{altitude:.0f} m",
        "heater.kind": known.kind,
        "heater.volume": f"{known.volume * (1.0 + rng.uniform(-0.05, 0.03)):.0f} L",
        "heater.input": f"{plate / 1000.0:.3f} kW",
        "heater.efficiency": round(known.efficiency, 3) if rng.random() < 0.5 else None,
        "heater.setpoint": f"{known.setpoint + rng.uniform(-2.0, 2.0):.0f} degC"
        if rng.random() < 0.8
        else None,
        "tank.volume": f"{case.vessel_litres:.1f} L" if rng.random() < 0.92 else None,
        "tank.precharge": None if gauged is None else f"{gauged / PSI:.0f} psi",
        "supply.pressure": f"{case.supply / PSI:.0f} psi" if rng.random() < 0.7 else None,
        "relief.setting": f"{case.fitting.relief.setting / PSI:.0f} psi" if rng.random() < 0.9 else None,
    }
