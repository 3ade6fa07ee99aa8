"""Make the ``*.npz`` traces of this folder: draws by pysimdeum, heater by OCHRE, densities by CoolProp.

Not run by the tests. The libraries need old versions of numpy and pandas, so an environment of their own:

    python3.11 -m venv /tmp/traces-env
    /tmp/traces-env/bin/pip install pysimdeum==1.0.1 "pandas<3" "numpy==1.26.*" ochre-nrel==0.9.2 \
        "pyarrow<22" CoolProp==8.0.0
    /tmp/traces-env/bin/python tests/reference/make_traces.py --out tests/reference

Same seeds, same bytes. What it writes is described in README.md; ``tests/plants/trace.py`` reads it.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from math import exp, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from CoolProp.CoolProp import PropsSI
from ochre import ElectricResistanceWaterHeater, GasWaterHeater
from pysimdeum.core.house import Property
from pysimdeum.core.statistics import Statistics

STEP = 10
PER_DAY = 86400 // STEP
DAY_ZERO = datetime(2023, 1, 2, tzinfo=UTC).replace(tzinfo=None)
"""A Monday; the libraries work in local time without a zone."""


@dataclass(frozen=True)
class Spec:
    """One household and its heater.

    ``heat`` [W] reaches the water, ``input`` [W] is burnt or drawn; ``lag`` [s] is the first-order lag of
    burner, coil or element. ``deadband`` [K] below ``setpoint`` [°C]; ``loss`` [W/K] to a room at 20 °C.
    """

    name: str
    kind: str
    houses: tuple[str, ...]
    seed: int
    volume: float
    height: float
    heat: float
    input: float
    setpoint: float
    deadband: float
    loss: float
    lag: float
    first_day: int
    days: int


SPECS = (
    Spec("gas_family", "storage", ("family",), 21, 151.4, 1.2, 9065, 11723, 54.4, 5.6, 4.16, 45, 0, 60),
    Spec("gas_pair", "storage", ("two_person",), 22, 189.0, 1.3, 9300, 11900, 50.0, 4.0, 4.4, 60, 120, 60),
    Spec("electric_family", "electric", ("family",), 23, 190.0, 1.4, 4410, 4500, 55.0, 5.0, 1.6, 30, 210, 60),
    Spec("electric_single", "electric", ("one_person",), 24, 100.0, 0.9, 1960, 2000, 57.0, 6.0, 1.2, 30, 30,
         60),
    Spec("fast_family", "indirect", ("family",), 25, 120.0, 0.9, 19000, 20000, 55.0, 8.0, 1.8, 90, 60, 60),
    Spec(
        "flats", "indirect", ("family", "two_person", "one_person", "two_person", "family", "one_person"),
        26, 500.0, 1.7, 27000, 30000, 57.0, 5.0, 14.0, 90, 270, 60,
    ),
)  # fmt: skip


def draws(spec: Spec) -> tuple[np.ndarray, np.ndarray]:
    """Return hot and cold flow [L/min], means over the steps."""
    np.random.seed(spec.seed)  # the library draws from the global generator
    statistics = Statistics()
    hot = np.zeros(spec.days * PER_DAY)
    total = np.zeros_like(hot)
    for kind in spec.houses:
        house = Property(statistics=statistics).built_house(house_type=kind)
        house.populate_house()
        house.furnish_house()
        for day in range(spec.days):
            date = DAY_ZERO + timedelta(days=spec.first_day + day)
            for user in house.users:
                user.compute_presence(weekday=date.weekday() < 5, statistics=statistics)
            flow = house.simulate(date=date, duration="1 day", num_patterns=1)
            flow = flow.sum(["user", "enduse"]).isel(patterns=0).values[:86400]
            part = slice(day * PER_DAY, (day + 1) * PER_DAY)
            # L/s over each second -> L/min over each step
            mean = flow.reshape(PER_DAY, STEP, 2).mean(axis=1) * 60.0
            total[part] += mean[:, 0]
            hot[part] += mean[:, 1]
    return hot, np.maximum(total - hot, 0.0)


def mains(day_of_year: float) -> float:
    """Return the inlet temperature [°C]: Burch and Christensen, ASES 2007, mean air 50 °F, swing 40 °F."""
    ratio, lag = 0.4 + 0.01 * (50.0 - 44.0), 35.0 - (50.0 - 44.0)
    fahrenheit = 50.0 + 6.0 + ratio * 20.0 * sin(pi / 180.0 * (0.986 * (day_of_year - 15.0 - lag) - 90.0))
    return (fahrenheit - 32.0) / 1.8


def lagged(base: type, lag: float) -> type:
    """Return the heater class ``base`` with heat that follows the burner with a first-order lag."""

    class Lagged(base):  # type: ignore[misc,valid-type]
        warm: Any = 0.0

        def calculate_power_and_heat(self) -> dict[str, Any]:
            heats = super().calculate_power_and_heat()
            name = self.model.name
            self.warm = self.warm + (heats[name] - self.warm) * (1.0 - exp(-STEP / lag))
            return {name: self.warm.copy()}

    return Lagged


def heater(spec: Spec, hot: np.ndarray) -> Any:
    """Return the heater, ready to step; its water has ten nodes (twelve with two elements)."""
    start = DAY_ZERO + timedelta(days=spec.first_day)
    index = pd.date_range(start, periods=len(hot), freq=f"{STEP}s")
    inlet = np.interp(np.arange(len(hot)) / PER_DAY, np.arange(spec.days + 1),
                      [mains(spec.first_day + d) for d in range(spec.days + 1)])  # fmt: skip
    # "Dishwasher" is the library's name for water taken from the tank as it is, not mixed at a tap.
    columns = {"Dishwasher (L/min)": hot, "Mains Temperature (C)": inlet, "Zone Temperature (C)": 20.0}
    base = ElectricResistanceWaterHeater if spec.kind == "electric" else GasWaterHeater
    arguments = {
        "start_time": start,
        "time_res": timedelta(seconds=STEP),
        "duration": timedelta(days=spec.days),
        "schedule": pd.DataFrame(columns, index=index),
        "verbosity": 0,
        "save_results": False,
        "water_nodes": 12 if spec.kind == "electric" else 10,
        "Tank Volume (L)": spec.volume,
        "Tank Height (m)": spec.height,
        "UA (W/K)": spec.loss,
        "Capacity (W)": spec.heat,
        "Efficiency (-)": spec.heat / spec.input,
        "Energy Factor (-)": 0.6,
        "Setpoint Temperature (C)": spec.setpoint,
        "Deadband Temperature (C)": spec.deadband,
    }
    made = lagged(base, spec.lag)(**arguments)
    made.inlet = inlet
    return made


def run(spec: Spec) -> dict[str, np.ndarray]:
    """Return growth and draw [mL a step], burner, temperature at the top."""
    hot, cold = draws(spec)
    unit = heater(spec, hot)
    grid = np.arange(0.0, 95.0, 0.05)
    table = np.array([PropsSI("D", "T", t + 273.15, "P", 450e3, "Water") for t in grid])
    share = unit.model.vol_fractions * spec.volume / 1000.0
    n = len(hot)
    mass = np.empty(n + 1)
    top, outlet, burner = np.empty(n), np.empty(n), np.zeros(n)
    mass[0] = share @ np.interp(unit.model.states, grid, table)
    for i in range(n):
        unit.update()
        mass[i + 1] = share @ np.interp(unit.model.states, grid, table)
        top[i], outlet[i] = unit.model.states[0], unit.model.outlet_temp
        burner[i] = unit.mode != "Off"
    rho_cold = np.interp(unit.inlet, grid, table)
    growth = -np.diff(mass) / rho_cold * 1e6
    draw = (hot * np.interp(outlet, grid, table) / rho_cold + cold) * 1000.0 * STEP / 60.0
    return {"growth": growth, "draw": draw, "burner": burner, "top": top}


def save(spec: Spec, made: dict[str, np.ndarray], out: Path) -> None:
    """Write a trace small: sums in tenths of a millilitre (no drift), burner edges, temperatures at 60 s."""
    level = np.round(np.cumsum(made["growth"]) * 10.0).astype(np.int32)
    used = np.flatnonzero(made["draw"])
    facts = {key: value for key, value in asdict(spec).items() if key != "houses"}
    np.savez_compressed(
        out / f"{spec.name}.npz",
        step=STEP,
        steps=len(level),
        growth_tenths=np.diff(level, prepend=0).astype(np.int16),
        draw_at=np.diff(used, prepend=0).astype(np.int32),
        draw_tenths=np.round(made["draw"][used] * 10.0).astype(np.uint32),
        burner_edges=np.flatnonzero(np.diff(made["burner"], prepend=0.0)).astype(np.int32),
        top_tenths=np.diff(np.round(made["top"][5::6] * 10.0), prepend=0.0).astype(np.int16),
        facts=np.array([f"{key}={value}" for key, value in facts.items()]),
    )


def main() -> int:
    """Make all traces or those that are named."""
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=raw)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--days", type=int, help="instead of those of the recipe")
    parser.add_argument("names", nargs="*", metavar="NAME", help="default: all")
    asked = parser.parse_args()
    for spec in SPECS:
        if not asked.names or spec.name in asked.names:
            chosen = Spec(**{**spec.__dict__, "days": asked.days}) if asked.days else spec
            made = run(chosen)
            save(chosen, made, asked.out)
            on = made["burner"].mean()
            used = made["draw"].sum() / 1e3 / chosen.days
            sys.stderr.write(f"{spec.name}: {chosen.days} days, burner on {on:.1%}, {used:.0f} L/day\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
