"""Readings of one series and one hour as a blob, and back: every microsecond and every bit of a value.

A value that a device sends has few digits in some unit, so it is `(k / 10^digits) * factor + offset` with a
small whole `k`, computed exactly as the intake computed it. Where that does not give back each bit, values
may lie on a grid `low + k * step` (a raw count that was scaled) up to a few units in the last place, which
are kept beside; else their bits are kept as they are. Times are counted in the largest unit that divides
all steps, less the usual step. What remains are small whole numbers, mostly alike: differences, folded to
positive numbers, one plane for each byte, packed by zlib, whose checksum finds a damaged blob.

No clock, no I/O. Times are whole microseconds, strictly ascending.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor import units
from monitor.store.planes import FloatArray, IntArray, Planes, fold

__all__ = ["FloatArray", "IntArray", "pack", "unpack", "unpack_series"]

_HEAD: Final = struct.Struct("<BIqQqBBBddqBB")
_FORM: Final = 1
_DECIMAL, _GRID, _BITS = 0, 1, 2
_DIGITS: Final = 7
_EXACT: Final = 2.0**53
_LEVEL: Final = 9
_GRID_MOST: Final = 1 << 24
"""Steps of a grid: converters of a sensor have up to 24 bits."""
_PROBE: Final = 6
"""Values on which a scale is tried before all of them are."""

SCALES: Final[Sequence[tuple[float, float]]] = tuple(
    dict.fromkeys(
        [
            (1.0, 0.0),
            *((unit.factor / units.KPA, 0.0) for unit in units.PRESSURE.values()),
            *((unit.factor, unit.offset) for unit in units.TEMPERATURE.values()),
        ]
    )
)
"""(factor, offset) by which the intake turns what a device sent into kPa and °C."""


class _Values(NamedTuple):
    kind: int
    digits: int
    factor: float
    offset: float
    whole: IntArray
    rest: IntArray | None = None


def pack(*series: tuple[IntArray, FloatArray]) -> bytes:
    """Return a blob of series of at least one reading each; values are finite."""
    with np.errstate(all="ignore"):  # a scale that does not fit overflows, and is not taken
        return zlib.compress(b"".join(_written(*one) for one in series), _LEVEL)


def _written(times_us: IntArray, values: FloatArray) -> bytes:
    steps = np.diff(times_us)
    unit = int(np.gcd.reduce(steps)) if len(steps) else 1
    counts = steps // max(unit, 1)
    usual = int(np.median(counts)) if len(counts) else 0
    clock = fold(counts - usual)
    form = _form_of(values)
    moves, rest = fold(np.diff(form.whole)), fold(form.rest)
    head = _HEAD.pack(
        _FORM, len(times_us), int(times_us[0]), unit, usual, clock[0],
        form.kind, form.digits, form.factor, form.offset, int(form.whole[0]), moves[0], rest[0],
    )  # fmt: skip
    return head + clock[1] + moves[1] + rest[1]


def unpack(bodies: Sequence[tuple[int, bytes]]) -> tuple[IntArray, FloatArray]:
    """Return times [us] and values of blobs of one series in a row; each is given with its number of readings.

    Raises
    ------
    ValueError
        If a blob is damaged.
    """
    total = sum(number for number, _ in bodies)
    times, values = np.empty(total, np.int64), np.empty(total, np.float64)
    start = 0
    for number, body in bodies:
        end = start + number
        _read(_inflated(body), 0, times[start:end], values[start:end])
        start = end
    return times, values


def unpack_series(number: int, body: bytes, count: int) -> list[tuple[IntArray, FloatArray]]:
    """Return the ``count`` series of ``number`` readings each of a blob; `ValueError` if it is damaged."""
    raw = _inflated(body)
    at, found = 0, []
    for _ in range(count):
        times, values = np.empty(number, np.int64), np.empty(number, np.float64)
        at = _read(raw, at, times, values)
        found.append((times, values))
    return found


def _inflated(body: bytes) -> bytes:
    try:
        return zlib.decompress(body)
    except zlib.error as error:
        raise ValueError(f"a sealed hour is damaged: {error}") from error


class _Head(NamedTuple):
    form: int
    number: int
    first: int
    unit: int
    usual: int
    clock: int
    kind: int
    digits: int
    factor: float
    offset: float
    low: int
    moves: int
    rest: int


def _read(raw: bytes, at: int, times: IntArray, values: FloatArray) -> int:
    """Fill both arrays with the series that begins at a byte; return the byte after it."""
    try:
        head = _Head._make(_HEAD.unpack_from(raw, at))
        if head.form == _FORM and head.number == len(times) and head.kind <= _BITS:
            planes = Planes(raw, at + _HEAD.size)
            _fill(head, planes, times, values)
            return planes.at
    except (struct.error, ValueError) as error:
        raise ValueError(f"a sealed hour is damaged: {error}") from error
    raise ValueError(f"a sealed hour is damaged: {head} where {len(times)} readings are expected")


def _fill(head: _Head, planes: Planes, times: IntArray, values: FloatArray) -> None:
    _walk(times, head.first, planes.take(head.clock, head.number - 1), head.unit, head.usual)
    moves = planes.take(head.moves, head.number - 1)
    if head.kind == _DECIMAL:
        _decimals(values, head.low, moves, (head.digits, head.factor, head.offset))
        return
    whole = np.empty(head.number, np.int64)
    _walk(whole, head.low, moves, 1, 0)
    if head.kind == _GRID:
        rest = planes.take(head.rest, head.number)
        whole = _on_grid(whole, head.factor, head.offset).view(np.int64) + (0 if rest is None else rest)
    values[:] = whole.view(np.float64)


def _walk(out: IntArray, first: int, moves: NDArray[Any] | None, unit: int, usual: int) -> None:
    """Fill ``out`` with ``first`` and the sums of moves after it; None: all moves are the usual one."""
    out[0] = first
    if moves is None:
        np.multiply(np.arange(1, len(out)), unit * usual, out=out[1:])
    else:
        np.add(moves, usual, out=out[1:], dtype=np.int64)
        np.cumsum(out[1:], out=out[1:])
        if unit != 1:
            out[1:] *= unit
    out[1:] += first


def _decimals(out: FloatArray, low: int, moves: NDArray[Any] | None, scale: tuple[int, float, float]) -> None:
    out[0] = low
    if moves is None:
        out[1:] = low
    else:
        out[1:] = moves
        np.cumsum(out, out=out)  # exact: whole numbers far below 2^53
    _scale(out, *scale)


def _scale(out: FloatArray, digits: int, factor: float, offset: float) -> FloatArray:
    """Turn whole numbers into values in place, by the steps of the intake."""
    if digits:
        out /= 10.0**digits
    if factor != 1.0:
        out *= factor
    if offset != 0.0:
        out += offset
    return out


def _on_grid(whole: IntArray, step: float, low: float) -> FloatArray:
    near: FloatArray = np.multiply(whole, step, dtype=np.float64)
    near += low
    return near


# ---- how values are written


def _form_of(values: FloatArray) -> _Values:
    found = next((form for scale in SCALES for form in _decimal(values, *scale)), None)
    if found is not None:
        return found
    grid = _grid(values)
    return grid if grid is not None else _Values(_BITS, 0, 1.0, 0.0, values.view(np.int64))


def _decimal(values: FloatArray, factor: float, offset: float) -> Iterator[_Values]:
    """Yield the form with the fewest digits that gives back every bit, if there is one."""
    for digits in range(_DIGITS):
        for piece in (values[:_PROBE], values):
            whole = np.rint((piece - offset) / factor * 10.0**digits) + 0.0  # not -0.0, which is no integer
            if not (np.abs(whole) < _EXACT / 4).all():
                return
            if not _same(_scale(whole.copy(), digits, factor, offset), piece):
                break
        else:
            yield _Values(_DECIMAL, digits, factor, offset, whole.astype(np.int64))
            return


def _grid(values: FloatArray) -> _Values | None:
    """Return values as steps of the least difference between them; None where that is no grid."""
    known = np.unique(values)
    if len(known) < 3:
        return None
    low, span = float(known[0]), float(known[-1] - known[0])
    gaps = np.diff(known)
    gaps = gaps[gaps > 1e-9 * span]
    if not len(gaps) or span / float(gaps.min()) > _GRID_MOST:
        return None
    step = span / round(span / float(gaps.min()))
    whole = np.rint((values - low) / step).astype(np.int64)
    rest = values.view(np.int64) - _on_grid(whole, step, low).view(np.int64)
    fits = bool(((rest >= -127) & (rest <= 127)).all())
    return _Values(_GRID, 0, step, low, whole, rest) if fits else None


def _same(one: FloatArray, other: FloatArray) -> bool:
    return bool((one.view(np.int64) == other.view(np.int64)).all())
