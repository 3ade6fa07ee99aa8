"""Writes readings of a time that their device had told before, one row each: CSV, gzipped CSV or Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from monitor import units
from monitor.cli.export_file import in_unit, place_of, texts
from monitor.readings import Origin, Point, Reading


def write(path: Path, readings: Sequence[Reading], unit: str) -> None:
    """Write readings, pressures in ``unit``; the end of the name decides the form."""
    with place_of(path) as (part, form):
        if form == ".parquet":
            times = np.array([round(one.time * 1e6) for one in readings], np.int64)
            table = _table(readings, unit, pa.array(times, pa.timestamp("us", "UTC")))
            pyarrow.parquet.write_table(table, part, compression="zstd")
            return
        times = np.array([round(one.time * 1e6) for one in readings], np.int64)
        table = _table(readings, unit, pa.array(texts(times), pa.string()))
        with pa.output_stream(str(part), compression="gzip" if form == ".csv.gz" else None) as sink:
            pyarrow.csv.write_csv(table, sink, pyarrow.csv.WriteOptions(quoting_style="needed"))


def _table(readings: Sequence[Reading], unit: str, times: pa.Array) -> pa.Table:
    numbers = [one.origin or Origin("", "", 0) for one in readings]
    return pa.table(
        {
            "time": times,
            "point": pa.array([one.point.value for one in readings], pa.string()),
            "value": pa.array(_values(readings, unit), pa.float64()),
            "device": pa.array([number.device for number in numbers], pa.string()),
            "boot": pa.array([number.boot for number in numbers], pa.string()),
            "sequence": pa.array([number.sequence for number in numbers], pa.int64()),
        }
    )


def _values(readings: Sequence[Reading], unit: str) -> list[float]:
    values = np.array([one.value for one in readings], np.float64)
    pressure = np.array([one.point is Point.PRESSURE for one in readings], np.bool_)
    return [
        float(one) for one in np.where(pressure, in_unit(values, units.to_si(1.0, unit) / units.KPA), values)
    ]
