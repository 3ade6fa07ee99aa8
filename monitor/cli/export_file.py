"""Writes rows as a log: CSV, gzipped CSV or Parquet, a piece at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from monitor import units
from monitor.errors import InputError
from monitor.estimation.samples import FloatArray, Samples

_DECIMALS: Final = 9
_HEADER: Final = b"time,pressure,heater,temperature\n"
_NUMBERS: Final = [(name, pa.float64()) for name in ("pressure", "heater", "temperature")]
_TEXT: Final = pa.schema([("time", pa.string()), *_NUMBERS])
_TYPED: Final = pa.schema([("time", pa.timestamp("us", "UTC")), *_NUMBERS])


class LogFile:
    """A log that is being written; pressure in ``unit``."""

    def __init__(self, writer: Any, unit: str, *, text: bool) -> None:
        self._writer = writer
        self._factor = units.to_si(1.0, unit) / units.KPA
        self._text = text

    def write(self, rows: Samples) -> None:
        """Add rows."""
        if not len(rows):
            return
        times = np.rint(rows.time * 1e6).astype(np.int64)
        time = pa.array(texts(times)) if self._text else pa.array(times, pa.timestamp("us", "UTC"))
        numbers = (in_unit(rows.pressure, self._factor), rows.heater, rows.temperature)
        columns = [time, *(pa.array(column, mask=np.isnan(column)) for column in numbers)]
        self._writer.write(pa.record_batch(columns, schema=_TEXT if self._text else _TYPED))


def in_unit(kpa: FloatArray, factor: float) -> FloatArray:
    """Return pressures in a unit of ``factor`` kPa: as the device sent them where that gives back every bit."""
    exact = kpa / factor
    short = np.round(exact, _DECIMALS)
    return np.where(short * factor == kpa, short, exact)


@contextmanager
def opened(path: Path, unit: str) -> Iterator[LogFile]:
    """Open a log for writing by the end of its name; it has its name only when the block ended well."""
    with place_of(path) as (part, end), _FORMS[end](part) as writer:
        yield LogFile(writer, unit, text=end != ".parquet")


@contextmanager
def place_of(path: Path) -> Iterator[tuple[Path, str]]:
    """Yield where to write and the form by the end of a name; the file has its name when the block ended well."""
    name = path.name.lower()
    form = next((end for end in _FORMS if name.endswith(end)), None)
    if form is None:
        raise InputError(
            f"{path}: a log can be written as {', '.join(_FORMS)}; end the name with one of them"
        )
    part = path.with_name(path.name + ".part")
    try:
        yield part, form
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def _csv(path: Path, compression: str | None = None) -> Iterator[Any]:
    options = pa.csv.WriteOptions(include_header=False, quoting_style="needed")
    with pa.output_stream(str(path), compression=compression) as sink:
        sink.write(_HEADER)
        with pa.csv.CSVWriter(sink, _TEXT, write_options=options) as writer:
            yield writer


@contextmanager
def _gzip(path: Path) -> Iterator[Any]:
    with _csv(path, "gzip") as writer:
        yield writer


@contextmanager
def _parquet(path: Path) -> Iterator[Any]:
    with pa.parquet.ParquetWriter(str(path), _TYPED, compression="zstd") as writer:
        yield writer


_FORMS: Final[dict[str, Callable[[Path], AbstractContextManager[Any]]]] = {
    ".csv": _csv,
    ".csv.gz": _gzip,
    ".parquet": _parquet,
}


def texts(times_us: Any) -> list[str]:
    """Return RFC 3339 texts with as many decimals as the times need."""
    stamps = times_us.astype("M8[us]")
    if (times_us % 1000).any():
        return _listed(np.datetime_as_string(stamps, unit="us", timezone="UTC"))
    if (times_us % 1_000_000).any():
        return _listed(np.datetime_as_string(stamps, unit="ms", timezone="UTC"))
    return _listed(np.datetime_as_string(stamps, unit="s", timezone="UTC"))


def _listed(texts: Any) -> list[str]:
    return [str(text) for text in texts]
