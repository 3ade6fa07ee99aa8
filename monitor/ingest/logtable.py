"""Opens logs of readings as Arrow batches: CSV, gzipped CSV and Parquet, a piece at a time.

A year at one second is 31 million rows; only one piece of about 16 MB is held as text at any time.
"""

from __future__ import annotations

import csv
import difflib
import gzip
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, cast

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from monitor.errors import ReadingsFileError
from monitor.ingest.logquotes import LineQuotes

NEEDED = ("time", "pressure", "heater")
OPTIONAL = ("temperature",)
_BLOCK = 16 << 20
_ROWS = 1 << 20
_HEADER = 1 << 16  # bytes in which the first line must end
_TOLD = 20  # misshapen rows whose reason is kept


@dataclass
class Table:
    """A log that is open: batches of the known columns, and where in the file a row stands."""

    batches: Iterator[pa.RecordBatch]
    ignored: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    row_word: str = "row"
    row_offset: int = 1
    misshapen: list[str] = field(default_factory=list)
    misshapen_lines: list[int] = field(default_factory=list)

    def place(self, row: int) -> str:
        """Return where the n-th row handed out stands in the file, counting the ones left out."""
        line = row + self.row_offset
        for left_out in self.misshapen_lines:
            line += left_out <= line
        return f"{self.row_word} {line}"

    def leave_out(self, row: Any) -> str:
        """Note a row with more or fewer cells than the header; Arrow's handler for such rows."""
        self.misshapen_lines.append(row.number)
        if len(self.misshapen) < _TOLD:
            cells = f"{row.actual_columns} cells where the header has {row.expected_columns}"
            self.misshapen.append(f"line {row.number}: {cells}: {row.text[:60]!r}")
        return "skip"


@contextmanager
def open_table(path: Path) -> Iterator[Table]:
    """Open a log by the end of its name; `ReadingsFileError` if it cannot be read, now or half-way."""
    name = path.name.lower()
    opener = next((opener for end, opener in _OPENERS.items() if name.endswith(end)), None)
    if path.is_dir() or opener is None:
        what = "this is a folder" if path.is_dir() else "cannot tell what kind of log this is"
        raise ReadingsFileError(f"{path}: {what}; allowed: a .csv, .csv.gz or .parquet file")
    try:
        if path.stat().st_size == 0:
            raise ReadingsFileError(f"{path}: the file is empty; needed: a header and at least one row")
        with ExitStack() as stack:
            yield opener(path, stack)
    except FileNotFoundError as exc:
        raise ReadingsFileError(f"{path}: there is no such file") from exc
    except (pa.ArrowException, OSError, EOFError, zlib.error, csv.Error) as exc:
        raise _broken(path, exc) from exc


def _broken(path: Path, exc: Exception) -> ReadingsFileError:
    reason = str(exc).split(". ")[0].strip().replace("\n", " ")[:200]
    if "utf8" in reason.lower():
        return ReadingsFileError(f"{path}: not UTF-8 text ({reason}); save the log in that encoding")
    kind = "a Parquet file" if path.suffix.lower() == ".parquet" else "a CSV log"
    return ReadingsFileError(f"{path}: cannot be read as {kind}: {reason}; is it complete?")


def _open_csv(path: Path, stack: ExitStack) -> Table:
    """Open a CSV log; rows with another number of cells than the header are left out and listed."""
    header = _header(path)
    known = _known_columns(path, header)
    table = Table(iter(()), _others(header, known), row_word="line", row_offset=2)  # line 1: header
    stream = stack.enter_context(_bytes(path))
    table.batches = iter(
        pa.csv.open_csv(
            LineQuotes(stream, table.notes),
            # one thread: Arrow tells the line numbers of rows left out only then
            pa.csv.ReadOptions(use_threads=False, block_size=_BLOCK),
            pa.csv.ParseOptions(invalid_row_handler=table.leave_out, ignore_empty_lines=False),
            pa.csv.ConvertOptions(
                include_columns=known,
                column_types=dict.fromkeys(known, pa.string()),
                strings_can_be_null=True,
                null_values=[""],
            ),
        )
    )
    return table


def _bytes(path: Path) -> IO[bytes]:
    packed = path.name.lower().endswith(".gz")
    return cast("IO[bytes]", gzip.open(path)) if packed else path.open("rb")


def _header(path: Path) -> list[str]:
    with _bytes(path) as stream:
        first: bytes = stream.readline(_HEADER)
    try:
        text = first.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise ReadingsFileError(f"{path}: line 1: not UTF-8 text; save the log in that encoding") from exc
    if "\0" in text:
        raise ReadingsFileError(f"{path}: line 1: zero bytes, as in UTF-16; save the log as UTF-8 text")
    return next(csv.reader(text.splitlines()[:1]), [])


def _open_parquet(path: Path, stack: ExitStack) -> Table:
    file = stack.enter_context(pa.parquet.ParquetFile(path))
    schema = file.schema_arrow
    known = _known_columns(path, schema.names)
    for name in known:
        _check_type(path, name, schema.field(name).type)
    kind = schema.field("time").type
    naive = pa.types.is_timestamp(kind) and kind.tz is None
    notes = ["times without a zone were read as UTC"] if naive else []
    return Table(
        file.iter_batches(batch_size=_ROWS, columns=list(known)), _others(schema.names, known), notes
    )


def _check_type(path: Path, name: str, kind: pa.DataType) -> None:
    """Refuse column types that hold neither numbers nor text (nor, where they belong, times or yes/no)."""
    types = pa.types
    inner = kind.value_type if types.is_dictionary(kind) else kind
    fits = types.is_integer(inner) or types.is_floating(inner) or types.is_decimal(inner)
    fits = fits or types.is_string(inner) or types.is_large_string(inner) or types.is_null(inner)
    fits = fits or (name == "time" and types.is_timestamp(inner))
    fits = fits or (name == "heater" and types.is_boolean(inner))
    if not fits:
        more = {"time": ", time stamps", "heater": ", true/false"}.get(name, "")
        raise ReadingsFileError(f"{path}: column {name!r} holds {kind}; allowed: numbers, text{more}")


def _others(names: Sequence[str], known: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in names if name not in known)


def _known_columns(path: Path, names: Sequence[str]) -> tuple[str, ...]:
    """Return the known columns that are there; `ReadingsFileError` if a needed one is missing or double."""
    read = ", ".join(map(repr, names[:20])) or "nothing"
    known = tuple(name for name in (*NEEDED, *OPTIONAL) if name in names)
    double = [name for name in known if names.count(name) > 1]
    if double:
        raise ReadingsFileError(f"{path}: column {double[0]!r} stands there twice; read: {read}")
    missing = [name for name in NEEDED if name not in names]
    if missing:
        needed = f"needed: {', '.join(NEEDED)}; optional: {', '.join(OPTIONAL)}"
        what = f"missing column {', '.join(map(repr, missing))}; read: {read}; {needed}"
        raise ReadingsFileError(f"{path}: {what}{_hint(missing, names)}")
    return known


def _hint(missing: Sequence[str], names: Sequence[str]) -> str:
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        return "; separate the columns by commas"
    words = {name.strip().lower(): name for name in names}
    near = [(difflib.get_close_matches(name, words, 1), name) for name in missing]
    return "".join(f"; rename {words[found[0]]!r} to {name!r}" for found, name in near if found)


_OPENERS: dict[str, Callable[[Path, ExitStack], Table]] = {
    ".csv": _open_csv,
    ".csv.gz": _open_csv,
    ".parquet": _open_parquet,
}
