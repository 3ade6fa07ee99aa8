"""The visit book of a site as a CSV file: short, written by hand, so every bad row is told at once."""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

from monitor import units
from monitor.errors import InputError, ReadingsFileError
from monitor.ingest import limits
from monitor.site import Visit, VisitAction

_NEEDED = ("time", "action")
_OPTIONAL = ("precharge", "supply", "water_at_valve", "found", "leak", "tank_volume", "who", "note")
_VOLUME_MOST = 50.0  # m³
_YES = frozenset({"yes", "true", "1"})
_NO = frozenset({"no", "false", "0"})


def read_visits(path: Path, unit: str) -> list[Visit]:
    """Return the visits in a CSV file, oldest first.

    Parameters
    ----------
    path : Path
        Columns ``time`` (RFC 3339 or epoch seconds), ``action`` (gauged, refilled, replaced or looked), optional
        ``precharge``, ``supply`` (gauge) and ``water_at_valve`` (yes/no), and further ``found`` (gauge, before
        anything was done), ``leak`` (where, or no), ``tank_volume`` [L], ``who``, ``note``; empty: not known.
    unit : str
        Unit of all pressures.

    Raises
    ------
    ReadingsFileError
        If the file cannot be read or any row is wrong; the message names all of them.
    """
    reader = csv.DictReader(_lines(path), strict=True)
    visits, wrong = [], []
    try:
        _check_header(path, reader.fieldnames or ())
        for row in reader:
            if not any(value for value in row.values() if isinstance(value, str)):
                continue
            try:
                visits.append(_visit(row, unit))
            except InputError as exc:
                wrong.append(f"{path}: line {reader.line_num}: {exc}")
    except csv.Error as exc:
        wrong.append(f"{path}: line {reader.line_num}: no valid CSV: {exc}")
    if wrong:
        raise ReadingsFileError("\n".join(wrong))
    return sorted(visits, key=lambda visit: visit.time)


def _lines(path: Path) -> list[str]:
    if path.is_dir():
        raise ReadingsFileError(f"{path}: this is a folder; a CSV file is needed")
    try:
        return path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError as exc:
        raise ReadingsFileError(f"{path}: there is no such file") from exc
    except UnicodeDecodeError as exc:
        raise ReadingsFileError(f"{path}: not UTF-8 text; save the visits in that encoding") from exc
    except OSError as exc:
        raise ReadingsFileError(f"{path}: cannot be read: {exc.strerror}") from exc


def _check_header(path: Path, names: object) -> None:
    read = list(names) if isinstance(names, (list, tuple)) else []
    known = (*_NEEDED, *_OPTIONAL)
    missing = [name for name in _NEEDED if name not in read]
    unknown = [name for name in read if name not in known]
    if not missing and not unknown:
        return
    what = f"missing column {', '.join(map(repr, missing))}" if missing else f"unknown column {unknown[0]!r}"
    near = difflib.get_close_matches(unknown[0].strip().lower(), known, 1) if unknown else []
    hint = f"; did you mean {near[0]!r}?" if near else ""
    shown = ", ".join(map(repr, read)) or "nothing"
    allowed = f"needed: {', '.join(_NEEDED)}, optional: {', '.join(_OPTIONAL)}"
    raise ReadingsFileError(f"{path}: line 1: {what}; read: {shown}; {allowed}{hint}")


def _visit(row: Mapping[str, str | None], unit: str) -> Visit:
    if None in row:
        raise InputError("more cells than the header has")
    cells = {name: (value or "").strip() for name, value in row.items()}
    action = cells["action"].lower()
    if action not in set(VisitAction):
        raise InputError(f"action {cells['action']!r} is not known; allowed: {', '.join(VisitAction)}")
    return Visit(
        time=_time(cells["time"]),
        action=VisitAction(action),
        precharge=_pressure("precharge", cells.get("precharge", ""), unit),
        supply=_pressure("supply", cells.get("supply", ""), unit),
        water_at_valve=_answer(cells.get("water_at_valve", "")),
        found=_pressure("found", cells.get("found", ""), unit),
        leak=_leak(cells.get("leak", "")),
        tank_volume=_volume(cells.get("tank_volume", "")),
        who=cells.get("who", ""),
        note=cells.get("note", ""),
    )


def _time(text: str) -> float:
    number = _number(text)
    if 0 <= number < limits.TIME_MOST:
        return number
    try:
        stamp = datetime.fromisoformat(text.upper())
    except ValueError:
        stamp = None
    if stamp is not None and stamp.tzinfo is not None:
        return stamp.timestamp()
    raise InputError(
        f"time {text!r} is not allowed; write RFC 3339 with an offset, like 2026-01-31T06:00:00Z"
    )


def _pressure(name: str, text: str, unit: str) -> float | None:
    if not text:
        return None
    value = units.to_si(_number(text), unit)
    if not 0 <= value <= limits.PRESSURE_MOST_KPA * units.KPA:
        raise InputError(
            f"{name} {text!r} is not allowed; write a gauge pressure in {unit}, 0 or more, no unit"
        )
    return value


def _answer(text: str) -> bool | None:
    if text.lower() in _YES | _NO:
        return text.lower() in _YES
    if text:
        raise InputError(f"water_at_valve {text!r} is not allowed; write yes, no or nothing")
    return None


def _leak(text: str) -> str | None:
    if not text:
        return None
    return "" if text.lower() in _NO else text


def _volume(text: str) -> float | None:
    if not text:
        return None
    value = units.to_si(_number(text), "L", "volume")
    if not 0 < value <= _VOLUME_MOST:
        raise InputError(
            f"tank_volume {text!r} is not allowed; write the whole volume in L, more than 0, no unit"
        )
    return value


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
