"""Logs of readings and of service visits, for the analysis of the past.

Time and pressure make a row. A bad row is counted and told, and costs only itself; so does a bad cell of
heater or temperature, whose row stays. A file without one good row is an error.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor import units
from monitor.errors import InputError, ReadingsFileError
from monitor.estimation.samples import FloatArray, Samples
from monitor.ingest.visitfile import read_visits

if TYPE_CHECKING:
    from monitor.ingest.logcolumns import BoolArray, Rows
    from monitor.ingest.logtable import Table

__all__ = ["Log", "read_log", "read_visits"]

_TOLD = 20  # bad rows that are told one by one; more are only counted
_PATIENCE = 100_000  # rows after which a file without one good row is given up


class Log(NamedTuple):
    """Rows of a log, and what a person should know about how it was read.

    ``end``: time of the last row, one that was refused included. [epoch s]
    """

    samples: Samples
    notes: list[str]
    end: float


def read_log(path: Path, unit: str) -> Log:
    """Return the rows of a log, ascending in time.

    Parameters
    ----------
    path : Path
        ``.csv``, ``.csv.gz`` or ``.parquet`` with columns ``time`` (RFC 3339 or epoch seconds),
        ``pressure`` (gauge), ``heater`` (0/1, on/off or watts), optional ``temperature`` (°C).
    unit : str
        Unit of the pressure column.

    Raises
    ------
    ReadingsFileError
        If the file cannot be read, lacks a column or has no good row.
    """
    # Arrow takes long to load and most commands need none
    from monitor.ingest import logcolumns, logtable  # noqa: PLC0415

    try:
        factor = units.to_si(1.0, unit) / units.KPA
    except InputError as exc:
        raise ReadingsFileError(f"{path}: {exc}") from exc
    with logtable.open_table(path) as table:
        harvest = _Harvest(path, table)
        for batch in table.batches:
            harvest.take(logcolumns.convert(batch, unit, factor))
            if not harvest.good and harvest.rows > _PATIENCE:
                break
    return harvest.log()


class _Harvest:
    """Collects good rows, and the reasons of the others, while a log is read piece by piece."""

    def __init__(self, path: Path, table: Table) -> None:
        self.rows = 0
        self.good = 0
        self._path = path
        self._table = table
        self._bad = 0
        self._end = -math.inf
        self._reasons: list[str] = []
        self._unfit: dict[str, int] = {}
        self._first_unfit: dict[str, str] = {}
        self._pieces: tuple[list[FloatArray], ...] = ([], [], [], [])

    def take(self, rows: Rows) -> None:
        """Keep the good rows of a batch and note the others."""
        good = rows.good
        bad = np.flatnonzero(~(good | rows.blank))
        for row in bad[: max(0, _TOLD - len(self._reasons))]:
            self._reasons.append(f"{self._table.place(self.rows + int(row))}: {rows.why(int(row))}")
        self._count_unfit(rows, good)
        for pieces, values in zip(self._pieces, rows.columns, strict=True):
            pieces.append(values if good.all() else values[good])
        self._bad += len(bad)
        self._end = max(self._end, _latest(rows.columns[0][rows.checks["time"]]))
        self.rows += len(good)
        self.good += int(good.sum())

    def _count_unfit(self, rows: Rows, good: BoolArray) -> None:
        """Count the cells that were blanked in good rows; of each column the first is told."""
        for name, unfit in rows.unfit.items():
            found = np.flatnonzero(unfit & good)
            if len(found) and name not in self._unfit:
                place = self._table.place(self.rows + int(found[0]))
                self._first_unfit[name] = f"{place}: {rows.why_cell(int(found[0]), name)}"
            if len(found):
                self._unfit[name] = self._unfit.get(name, 0) + len(found)

    def _unfit_notes(self) -> list[str]:
        return [
            f"{count} {name} cells of {self.good} cannot be true and were left out, the rest of their rows "
            f"counts; first: {self._first_unfit[name]}"
            for name, count in self._unfit.items()
        ]

    def log(self) -> Log:
        """Return everything in order; `ReadingsFileError` if there was no good row."""
        reasons = [*self._reasons, *self._table.misshapen[: max(0, _TOLD - len(self._reasons))]]
        bad = self._bad + len(self._table.misshapen_lines)
        if not self.good:
            example = f"; first: {reasons[0]}" if reasons else "; the file holds a header and nothing else"
            raise ReadingsFileError(f"{self._path}: no good row{example}")
        samples, notes = _in_order(self._pieces)
        notes = [*self._table.notes, *notes, *self._unfit_notes()]
        if self._table.ignored:
            notes.insert(0, f"columns not used: {', '.join(self._table.ignored)}")
        if bad:
            notes.append(f"{bad} of {bad + self.good} rows were refused")
            notes += reasons
        if bad > len(reasons):
            notes.append(f"and {bad - len(reasons)} more")
        return Log(samples, notes, max(self._end, float(samples.time[-1])))


def _latest(times: FloatArray) -> float:
    return float(np.max(times)) if len(times) else -math.inf


def _in_order(pieces: tuple[list[FloatArray], ...]) -> tuple[Samples, list[str]]:
    """Join, sort and thin out; of rows with one time stamp the first in the file is kept."""
    joined = []
    for piece in pieces:
        joined.append(np.concatenate(piece))
        piece.clear()  # a year at one second is large: never hold it twice
    notes = []
    steps = np.diff(joined[0])
    if bool((steps < 0).any()):
        notes.append(f"rows were out of order ({int((steps < 0).sum())} steps back) and have been sorted")
        order = np.argsort(joined[0], kind="stable")
        joined = [column[order] for column in joined]
        steps = np.diff(joined[0])
    double = int((steps == 0).sum())
    if double:
        notes.append(f"{double} rows had the time stamp of another row; the first of each was kept")
        first = np.concatenate([[True], steps > 0])
        joined = [column[first] for column in joined]
    return Samples(*joined), notes
