"""Whole runs: many days of one plant, what its devices logged and what was true.

Examples
--------
>>> from simulator.catalogue import PLANTS
>>> run = simulate(PLANTS["home-healthy"](), days=1, seed=1, epoch=1767571200.0)
>>> len(run.time), bool(run.pressure.min() > 200.0)
(8640, True)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulator.draws import DAY
from simulator.peak import worst_case_peak
from simulator.plant import Plant, Trace
from simulator.sensors import Devices, Report
from simulator.spec import PlantSpec

FloatArray = NDArray[np.float64]
_EVERY = 6 * 3600.0  # spacing of the true air charge [s]


@dataclass(slots=True)
class Truth:
    """What really happened. Times epoch seconds UTC; kPa gauge.

    ``peak_kpa``: what a full recovery would reach if there were no relief valve (see `worst_case_peak`);
    ``openings``: each time at which the relief valve began to pass water (a pause of 10 min ends one);
    ``discharged``: litres lost through it so far.
    """

    charge_time: list[float] = field(default_factory=list)
    charge_kpa: list[float] = field(default_factory=list)
    peak_kpa: list[float] = field(default_factory=list)
    openings: list[float] = field(default_factory=list)
    discharged: float = 0.0
    faults: list[tuple[str, float, float]] = field(default_factory=list)
    _last: float = -np.inf

    def add(self, spec: PlantSpec, trace: Trace, epoch: float, relief: float) -> None:
        """Take one day into account; ``relief`` is what the valve has passed since the start [m³]."""
        grid = np.arange(trace.start, trace.end, _EVERY)
        at = np.searchsorted(trace.time, grid)
        self.charge_time += (epoch + grid).tolist()
        # A gauge on a relieved tank that holds less than one atmosphere reads zero.
        self.charge_kpa += (np.maximum(trace.charge[at], 0.0) / 1e3).tolist()
        charges = trace.charge[at].tolist()
        self.peak_kpa += [worst_case_peak(spec, c, trace.weather.cold) / 1e3 for c in charges]
        for t in trace.time[trace.relieving].tolist():
            if t - self._last > 600.0:
                self.openings.append(epoch + t)
            self._last = t
        self.discharged = relief * 1e3


@dataclass(frozen=True, slots=True)
class Recording:
    """A log (rows as an offline reader takes them) and its truth.

    ``time`` epoch seconds; ``pressure`` kPa gauge; ``heater`` 0/1 or watts; ``temperature`` °C; NaN: unknown.
    """

    spec: PlantSpec
    epoch: float
    days: float
    seed: int
    time: FloatArray
    pressure: FloatArray
    heater: FloatArray
    temperature: FloatArray
    truth: Truth


def rng_of(seed: int, spec: PlantSpec) -> np.random.Generator:
    """Return the generator of one plant; plants with one seed but other names draw differently."""
    return np.random.default_rng([seed, *spec.id.encode()])


class Site:
    """A plant with its devices and its truth, day by day."""

    def __init__(self, spec: PlantSpec, seed: int, epoch: float) -> None:
        plant, devices = rng_of(seed, spec).spawn(2)
        self.spec, self.epoch, self.truth = spec, epoch, Truth()
        self.plant = Plant(spec, plant, epoch)
        self._devices = Devices(spec, devices)
        self.truth.faults = [(str(f.kind), epoch + f.day * DAY, f.size) for f in spec.faults]

    def days(self) -> Iterator[tuple[Trace, Report]]:
        """Yield day after day, without end."""
        while True:
            trace = self.plant.day()
            self.truth.add(self.spec, trace, self.epoch, self.plant.network.books.relief)
            yield trace, self._devices.observe(trace)


def simulate(spec: PlantSpec, days: int, seed: int, epoch: float) -> Recording:
    """Return ``days`` days of ``spec`` from ``epoch`` [s UTC]; the same arguments give the same recording."""
    site = Site(spec, seed, epoch)
    reports = [report for _, (_, report) in zip(range(days), site.days(), strict=False)]
    return Recording(
        spec, epoch, days, seed,
        np.concatenate([r.pressure.time for r in reports]) + epoch,
        np.concatenate([r.pressure.value for r in reports]) / 1e3,
        np.concatenate([r.heater_rows for r in reports]),
        np.concatenate([r.temperature_rows for r in reports]),
        site.truth,
    )  # fmt: skip
