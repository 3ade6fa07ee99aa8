"""Write a case as files that ``cushionwatch examine`` reads, with the truth beside them.

python -m tests.plants.write --case torn_day5 --out /tmp/torn
cushionwatch examine /tmp/torn/READINGS.csv.gz --site /tmp/torn/SITE.toml --visits /tmp/torn/VISITS.csv
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import math
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from tests.plants.cases import PSI, Case, Wrong, cases
from tests.plants.cushion import Result, apply_cushion
from tests.plants.library import library
from tests.plants.supply import wandering
from tests.plants.trace import DAY, FloatArray, Trace, days, with_cold_draws

START: Final = datetime(2024, 1, 8, tzinfo=UTC).timestamp()
"""Instant of a case's first step, epoch seconds; a Monday, as the draws have weekdays."""

CERTAIN_STEPS: Final = 60
"""Steps of discharge from which on a relief valve must be noticed: ten minutes in all at 10 s."""


def plant(case: Case, seed: int, trace: Trace | None = None) -> Result:
    """Return readings and truth of a case; times in seconds since its start."""
    rng = np.random.default_rng([seed, 11])
    ran = days(library()[case.trace].load() if trace is None else trace, 0.0, case.days)
    if case.cold_draws > 0.0:
        ran = with_cold_draws(ran, rng, case.cold_draws)
    clock = np.arange(1, len(ran) + 1) * ran.step

    def supply(time: FloatArray) -> FloatArray:
        coarse = wandering(
            clock, np.random.default_rng([seed, 13]), mean=case.supply, swing=case.swing, wander=case.wander
        )
        return np.interp(time, clock, coarse) + case.steps.at(time)

    result = apply_cushion(
        ran,
        vessel_litres=case.vessel_litres,
        precharge_kpa=case.charge,
        supply_kpa=supply,
        fitting=case.fitting,
        sensor=case.sensor,
        open_spans=case.open_spans,
        seed=seed,
    )
    return result if case.spoil is None else case.spoil(result, np.random.default_rng([seed, 17]))


def stamp(seconds: float) -> str:
    """Return the RFC 3339 time of ``seconds`` since the start."""
    return datetime.fromtimestamp(START + seconds, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def site_facts(case: Case) -> dict[str, str | float | None]:
    """Return what the site file of a case says, by key (``"heater.input"`` style)."""
    keys: dict[str, str | float | None] = {
        "id": case.name.replace("_", "-"),
        "name": case.summary,
        "altitude": "0 m",
        "timezone": "UTC",
        "unit": "psi",
        "heater.kind": "storage",
        "heater.volume": "151 L",
        "heater.input": "11.7 kW",
        "heater.efficiency": 0.77,
        "heater.setpoint": "54 degC",
        "tank.volume": f"{case.vessel_litres:g} L",
        "tank.precharge": "60 psi",
        "supply.pressure": f"{case.supply / PSI:.0f} psi",
        "relief.setting": "150 psi",
    }
    return {**keys, **case.site}


def site_text(case: Case) -> str:
    """Return the site file of a case."""
    lines: list[str] = []
    table = ""
    for key, value in site_facts(case).items():
        head, _, tail = key.rpartition(".")
        if value is None:
            continue
        if head != table:
            lines.append(f"[{head}]")
            table = head
        lines.append(f"{tail} = {json.dumps(value)}")
    return "\n".join(lines) + "\n"


def visits_text(case: Case) -> str:
    """Return the visit book of a case, pressures in psi."""
    rows = ["time,precharge,supply,action,water_at_valve"]
    rows += [
        f"{stamp(v.time)},{v.precharge / PSI:.1f},{v.supply / PSI:.1f},{v.action},{v.water_at_valve}"
        for v in case.visits
    ]
    return "\n".join(rows) + "\n"


def readings_bytes(result: Result) -> bytes:
    """Return the readings as a gzipped CSV, pressure in psi, cells empty where nothing was read."""
    rows = io.StringIO()
    with_temperature = not np.isnan(result["temperature"]).all()
    rows.write("time,pressure,heater" + (",temperature" if with_temperature else "") + "\n")
    columns = [START + result["time"], result["pressure"] / PSI, result["heater"], result["temperature"]]
    for time, pressure, heater, temperature in zip(*(c.tolist() for c in columns), strict=True):
        state = "" if math.isnan(heater) else f"{heater:.0f}"
        warm = f",{temperature:.1f}" if with_temperature else ""
        rows.write(f"{time:.1f},{pressure:.3f},{state}{warm}\n")
    return gzip.compress(rows.getvalue().encode(), 6, mtime=0)


def truth(case: Case, result: Result, seed: int) -> dict[str, object]:
    """Return what is true of a case: charge every six hours, faults, when the relief valve opened."""
    every = np.arange(0.25 * DAY, case.days * DAY + 1.0, 0.25 * DAY)
    charge = np.interp(every, result["time"], result["truth_charge_kpa"])
    open_at = result["plant_time"][result["plant_relieved"] > 0.0]
    wrong = list(case.wrong)
    if len(open_at):
        wrong.append(Wrong("relief_discharging", float(open_at[0]), certain=len(open_at) >= CERTAIN_STEPS))
    return {
        "case": case.name,
        "summary": case.summary,
        "seed": seed,
        "start": stamp(0.0),
        "end": stamp(float(result["time"][-1])),
        "air_charge": [
            {"time": stamp(t), "kpa": round(c, 2)}
            for t, c in zip(every.tolist(), charge.tolist(), strict=True)
        ],
        "faults": [{"fault": w.fault, "began": stamp(w.began), "certain": w.certain} for w in wrong],
        "relief_opened": {
            "steps": len(open_at),
            "first": stamp(float(open_at[0])) if len(open_at) else None,
            "litres": round(float(result["plant_relieved"].sum()) / 1000.0, 3),
        },
        "peak_kpa": round(float(result["plant_pressure"].max()), 1),
        "elastic_ml_per_kpa": case.fitting.elastic_ml_per_kpa,
    }


def write(case: Case, out: Path, seed: int, trace: Trace | None = None) -> None:
    """Write READINGS.csv.gz, SITE.toml, VISITS.csv and TRUTH.json into ``out``."""
    out.mkdir(parents=True, exist_ok=True)
    result = plant(case, seed, trace)
    (out / "READINGS.csv.gz").write_bytes(readings_bytes(result))
    (out / "SITE.toml").write_text(site_text(case), encoding="utf-8")
    (out / "VISITS.csv").write_text(visits_text(case), encoding="utf-8")
    (out / "TRUTH.json").write_text(json.dumps(truth(case, result, seed), indent=1) + "\n", encoding="utf-8")


def main() -> int:
    """Write one case, or all of them."""
    known = cases()
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--case", required=True, choices=[*known, "all"])
    parser.add_argument(
        "--out", required=True, type=Path, help="folder; with --case all one folder a case within it"
    )
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for name in known if asked.case == "all" else [asked.case]:
        folder = asked.out / name if asked.case == "all" else asked.out
        write(known[name], folder, asked.seed)
        sys.stderr.write(f"{name}: {known[name].summary} -> {folder}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
