"""A recording as files: the log, the site file, the visit book and the truth."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from simulator.draws import DAY
from simulator.faults import VISIT, VISITS, Kind
from simulator.recording import Recording
from simulator.spec import PlantSpec
from simulator.units import PRESSURE, show

FORMATS = ("csv", "csv.gz", "parquet")
_ACTION = {Kind.GAUGE: "gauged", Kind.REFILL: "refilled", Kind.REPLACE: "replaced"}


def rfc3339(epoch: float) -> str:
    """Return epoch seconds as UTC text.

    >>> rfc3339(0.0)
    '1970-01-01T00:00:00Z'
    """
    return datetime.fromtimestamp(epoch, UTC).isoformat(timespec="auto").replace("+00:00", "Z")


def site_toml(spec: PlantSpec) -> str:
    """Return the site file of a plant: what the plates and the last gauging say, not what is true now."""
    heater, unit = spec.heater, spec.unit
    supply = spec.supply.pressure if spec.supply.regulator is None else spec.supply.regulator
    return f"""\
id = "{spec.id}"
name = "{spec.name or spec.id}"
altitude = "{spec.altitude:g} m"
timezone = "{spec.timezone}"
unit = "{unit}"
[heater]
kind = "{heater.kind}"
volume = "{heater.volume * 1e3:g} L"
input = "{heater.input / 1e3:g} kW"
efficiency = {heater.efficiency:g}
setpoint = "{heater.setpoint:g} degC"
[tank]
volume = "{spec.tank.volume * 1e3:g} L"
precharge = "{show(spec.tank.precharge, unit)}"
[supply]
pressure = "{show(supply, unit)}"
[relief]
setting = "{show(spec.relief.setting, unit)}"
"""


def visits_csv(recording: Recording) -> str | None:
    """Return the visit book in the site's unit, or None where nobody came."""
    spec, factor = recording.spec, PRESSURE[recording.spec.unit]
    rows = ["time,precharge,supply,action,water_at_valve"]
    drowned = False
    for fault in sorted(spec.faults, key=lambda f: f.day):
        drowned = drowned or fault.kind in {Kind.TEAR, Kind.WATERLOGGED}
        if fault.kind not in VISITS or fault.day >= recording.days:
            continue
        when = recording.epoch + fault.day * DAY + VISIT
        charge = fault.size if fault.kind is not Kind.GAUGE else _charge_at(recording, when)
        rows.append(
            f"{rfc3339(when)},{charge / factor:.4g},{spec.supply.pressure / factor:.4g},"
            f"{_ACTION[fault.kind]},{str(drowned).lower()}"
        )
        drowned = drowned and fault.kind is not Kind.REPLACE
    return "\n".join(rows) + "\n" if len(rows) > 1 else None


def _charge_at(recording: Recording, when: float) -> float:
    truth = recording.truth
    return float(np.interp(when, truth.charge_time, truth.charge_kpa)) * 1e3


def truth_json(recording: Recording) -> str:
    """Return what really happened as JSON: kPa gauge, UTC."""
    truth, epoch = recording.truth, recording.epoch
    facts: dict[str, Any] = {
        "site": recording.spec.id,
        "seed": recording.seed,
        "span": {"start": rfc3339(epoch), "end": rfc3339(epoch + recording.days * DAY)},
        "faults": [{"kind": k, "time": rfc3339(t), "size": size} for k, t, size in truth.faults],
        "first_relief": rfc3339(truth.openings[0]) if truth.openings else None,
        "relief_openings": [rfc3339(t) for t in truth.openings],
        "relief_litres": round(truth.discharged, 3),
        "air_charge": [
            {"time": rfc3339(t), "kpa": round(kpa, 2), "worst_case_peak_kpa": round(peak, 1)}
            for t, kpa, peak in zip(truth.charge_time, truth.charge_kpa, truth.peak_kpa, strict=True)
        ],
    }
    return json.dumps(facts, indent=1) + "\n"


def table(recording: Recording) -> Any:
    """Return the log as an Arrow table: time (UTC, ms), pressure in the site's unit, heater, temperature."""
    ms = np.round(recording.time * 1e3).astype("int64")
    pressure = np.round(recording.pressure * 1e3 / PRESSURE[recording.spec.unit], 4)
    columns = {
        "time": pa.array(ms, pa.timestamp("ms", tz="UTC")),
        "pressure": pa.array(pressure),
        "heater": pa.array(recording.heater, from_pandas=True),  # NaN becomes an empty cell
    }
    if recording.spec.sensors.temperature:
        columns["temperature"] = pa.array(recording.temperature, from_pandas=True)
    return pa.table(columns)


def write_log(recording: Recording, path: Path) -> None:
    """Write the log; the name's ending says how (one of ``FORMATS``)."""
    rows = table(recording)
    if path.suffix == ".parquet":
        pa.parquet.write_table(rows, path)
        return
    text = pc.binary_join_element_wise(pc.strftime(rows["time"], format="%Y-%m-%dT%H:%M:%S"), "Z", "")
    rows = rows.set_column(0, "time", text)
    # The library would put the names of the columns in quotes.
    options = pa.csv.WriteOptions(include_header=False, quoting_style="none")
    raw = pa.OSFile(str(path), "wb")
    with raw if path.suffix != ".gz" else pa.CompressedOutputStream(raw, "gzip") as sink:
        sink.write((",".join(rows.column_names) + "\n").encode())
        pa.csv.write_csv(rows, sink, options)
    raw.close()


def write_all(recording: Recording, folder: Path, form: str = "csv") -> Path:
    """Write READINGS, SITE.toml, TRUTH.json and, if anyone came, VISITS.csv; return the log's path."""
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / f"READINGS.{form}"
    write_log(recording, log)
    (folder / "SITE.toml").write_text(site_toml(recording.spec), encoding="utf-8")
    (folder / "TRUTH.json").write_text(truth_json(recording), encoding="utf-8")
    book = visits_csv(recording)
    if book is not None:
        (folder / "VISITS.csv").write_text(book, encoding="utf-8")
    return log
