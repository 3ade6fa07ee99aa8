"""Turns the columns of a log into numbers, and says of each bad row what is wrong with it.

Whole columns are converted at once; only pieces that hold a bad cell are halved until it stands alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from monitor.estimation.samples import FloatArray
from monitor.ingest import limits

BoolArray = NDArray[np.bool_]

_WORDS: Final = {"on": 1.0, "true": 1.0, "off": 0.0, "false": 0.0}


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """One batch in numbers: epoch s, kPa gauge, 0/1 or W, °C; ``blank`` rows hold nothing at all.

    ``checks`` make a row: which cells fit. ``unfit`` cells cost only themselves and are NaN, as the same
    value in a message costs only itself.
    """

    columns: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    checks: Mapping[str, BoolArray]
    unfit: Mapping[str, BoolArray]
    blank: BoolArray
    cells: pa.RecordBatch
    unit: str

    @property
    def good(self) -> BoolArray:
        """Return which rows can be used."""
        good: BoolArray = np.logical_and.reduce(list(self.checks.values()))
        return good

    def why(self, row: int) -> str:
        """Return what is wrong with a row that is not good."""
        return self.why_cell(row, next(name for name, right in self.checks.items() if not right[row]))

    def why_cell(self, row: int, name: str) -> str:
        """Return what is wrong with one cell of a row."""
        return _WHY[name](self.cells.column(name)[row].as_py(), self.unit)


def convert(batch: pa.RecordBatch, unit: str, kpa_per_unit: float) -> Rows:
    """Return a batch in numbers, with a check for each of its columns."""
    time = _times(batch.column("time"))
    with np.errstate(over="ignore"):  # infinity is refused below like any other impossible pressure
        pressure = _numbers(batch.column("pressure")) * kpa_per_unit
    checks = {
        "time": (time >= 0) & (time < limits.TIME_MOST),
        "pressure": (pressure >= limits.PRESSURE_LEAST_KPA) & (pressure <= limits.PRESSURE_MOST_KPA),
    }
    cells = batch.column("heater")
    heater, unfit_heater = _blanked(cells, _heater_states(cells), 0.0, limits.HEATER_MOST_W)
    unfit = {"heater": unfit_heater}
    if "temperature" in batch.schema.names:
        cells = batch.column("temperature")
        least, most = limits.TEMPERATURE_LEAST, limits.TEMPERATURE_MOST
        temperature, unfit["temperature"] = _blanked(cells, _numbers(cells), least, most)
    else:
        temperature = np.broadcast_to(np.float64(math.nan), len(time))  # no memory for what is not there
    nothing = [pc.is_null(column).to_numpy(zero_copy_only=False) for column in batch.columns]
    blank = np.logical_and.reduce(nothing)
    return Rows((time, pressure, heater, temperature), checks, unfit, blank, batch, unit)


def _blanked(column: pa.Array, values: FloatArray, least: float, most: float) -> tuple[FloatArray, BoolArray]:
    """Return values with NaN for those that cannot be true, and where: no number, or outside the limits."""
    empty = pc.is_null(column, nan_is_null=pa.types.is_floating(column.type)).to_numpy(zero_copy_only=False)
    unfit: BoolArray = ~(empty | ((values >= least) & (values <= most)))
    return (np.where(unfit, math.nan, values) if unfit.any() else values), unfit


def _times(column: pa.Array) -> FloatArray:
    column = _plain(column)
    if pa.types.is_timestamp(column.type):
        return _seconds(column)
    return _halved(column, _whole_times, _one_time) if _is_text(column.type) else _floats(column)


def _numbers(column: pa.Array) -> FloatArray:
    column = _plain(column)
    return _halved(column, _floats, _one_number) if _is_text(column.type) else _floats(column)


def _heater_states(column: pa.Array) -> FloatArray:
    column = _plain(column)
    try:
        return _floats(column)
    except pa.ArrowInvalid:
        words = pc.utf8_lower(pc.utf8_trim_whitespace(column))
        which = pc.index_in(words, value_set=pa.array(list(_WORDS)))
        states = _floats(pc.take(pa.array(list(_WORDS.values())), which))
        rest = _numbers(pc.if_else(pc.is_valid(which), pa.scalar(None, words.type), words))
        return np.where(np.isnan(rest), states, rest)


def _plain(column: pa.Array) -> pa.Array:
    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _floats(column: pa.Array) -> FloatArray:
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8())
    found: FloatArray = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
    return found


def _seconds(column: pa.Array) -> FloatArray:
    ticks_per_second = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}[column.type.unit]
    return _floats(column.cast(pa.int64())) / ticks_per_second


def _whole_times(column: pa.Array) -> FloatArray:
    try:
        return _floats(column)
    except pa.ArrowInvalid:
        return _seconds(column.cast(pa.timestamp("ns", tz="UTC")))


def _one_time(cell: Any) -> float:
    number = _one_number(cell)
    stamp = _stamp(cell) if math.isnan(number) else None
    return stamp.timestamp() if stamp is not None and stamp.tzinfo is not None else number


def _one_number(cell: Any) -> float:
    try:
        return float(cell) if "_" not in str(cell) else math.nan
    except (TypeError, ValueError):
        return math.nan


def _stamp(cell: object) -> datetime | None:
    try:
        return datetime.fromisoformat(str(cell).strip().upper())
    except ValueError:
        return None


def _halved(
    column: pa.Array, whole: Callable[[pa.Array], FloatArray], single: Callable[[Any], float]
) -> FloatArray:
    """Convert ``column`` by ``whole``, in halves of halves where that fails, the last ones by ``single``."""
    try:
        return whole(column)
    except pa.ArrowInvalid:
        if len(column) <= 16:
            return np.array([single(cell) for cell in column.to_pylist()], dtype=np.float64)
    middle = len(column) // 2
    halves = (column.slice(0, middle), column.slice(middle))
    return np.concatenate([_halved(half, whole, single) for half in halves])


def _why_time(cell: object, _unit: str) -> str:
    stamp = _stamp(cell)
    if cell is None:
        return "no time"
    if stamp is not None and stamp.tzinfo is None:
        return f"time {cell!r} has no UTC offset; allowed: RFC 3339, like 2026-01-31T06:00:00Z"
    if _one_number(cell) >= limits.TIME_MOST:
        return f"time {cell!r} is too large for epoch seconds: are these milliseconds?"
    return f"time {cell!r} is neither RFC 3339 (2026-01-31T06:00:00Z) nor epoch seconds"


def _why_pressure(cell: object, unit: str) -> str:
    if cell is None:
        return "no pressure"
    if math.isnan(_one_number(cell)):
        return f"pressure {cell!r} is no number"
    allowed = f"{limits.PRESSURE_LEAST_KPA:g} to {limits.PRESSURE_MOST_KPA:g} kPa gauge"
    return f"pressure {cell!r} {unit} is outside {allowed}: is the unit of the site right?"


def _why_heater(cell: object, _unit: str) -> str:
    return f"heater {cell!r} is not allowed: 0, 1, watts, on or off"


def _why_temperature(cell: object, _unit: str) -> str:
    allowed = f"{limits.TEMPERATURE_LEAST:g} to {limits.TEMPERATURE_MOST:g} °C"
    return f"temperature {cell!r} is not allowed: {allowed}, or nothing"


_WHY: Final = {
    "time": _why_time,
    "pressure": _why_pressure,
    "heater": _why_heater,
    "temperature": _why_temperature,
}
