"""What the line does between draws: the level that the supply gives right after them, and rests without heat.

After a draw that has emptied the growth out, the line stands at the supply. At other times growth and the check
valve, which keeps the highest supply since the last draw, hold it above. Pressures gauge [Pa], times epoch [s].
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.estimation.burns import SILENCE
from monitor.estimation.noise import Noise
from monitor.estimation.samples import FloatArray, Samples

POINT: Final = 300.0
"""Seconds whose mean is one point of a rest."""

_EVERY: Final = 10.0  # s: faster rows are put together
_SETTLED: Final = 1200.0  # s after the last heat from which metal and gas have settled
_AFTER: Final = (15.0, 150.0)  # s after a draw in which the line is at the supply
_STANDS: Final = 300.0  # s after which a line that fell is taken to have been left alone since
_PATIENCE: Final = 1200.0  # s: no draw at one tap holds the line lower for longer
_WARM: Final = 600.0  # s after the last heat in which it may still raise the line
_LEAST_AFTER: Final = 2
_LEAST_POINTS: Final = 3
_GATHERS: Final = 1200.0  # s within which draws in a row count as one fall
_LEAST_FALL: Final = 2e3  # Pa between neighbours
_LEAST_RISE: Final = 8e3  # Pa within ten seconds: a tap shuts; a leaking seat is slower
_MOST_RISE: Final = 15e3
_POINTS: Final = 144  # half a day
_KPA: Final = 1000.0

_GAP, _SWITCH, _FALL, _RISE = 1, 2, 3, 4


@dataclass(frozen=True, slots=True)
class Drawn:
    """The line right after a draw. Where draws take little, or heat is on (``heated``), it may be above the supply."""

    at: float
    level: float
    heated: bool


@dataclass(frozen=True, slots=True, eq=False)
class Rest:
    """A stretch with neither draw nor heat, as means over five minutes.

    ``before`` is the level right after the draw that began it, NaN where it began otherwise; ``fell`` how far the
    line fell then; ``drawn``: a draw ended it.
    """

    start: float
    end: float
    before: float
    fell: float
    time: FloatArray
    level: FloatArray
    drawn: bool


@dataclass(slots=True)
class _Piece:
    """The piece in progress, between two sudden changes of the line or the heater's state."""

    start: float
    begun: int
    heated: bool
    stood: float = np.nan  # highest level shortly before it
    after: list[float] = field(default_factory=list)
    time: list[float] = field(default_factory=list)
    level: list[float] = field(default_factory=list)
    told: bool = False
    at_supply: float = np.nan


class Rests:
    """Yields levels after draws, and rests, at the hour by which they are complete."""

    def __init__(self) -> None:
        self._piece = _Piece(-np.inf, _GAP, heated=True)
        self._last = (-np.inf, 0.0, True)  # time, pressure and heat of the last row
        self._heat = -np.inf  # time of the last row with heat
        self._stood = (-np.inf, np.nan)
        self._drawn: list[Drawn] = []
        self._rests: list[Rest] = []

    def hour(self, rows: Samples, noise: Noise) -> tuple[list[Drawn], list[Rest]]:
        """Take the rows of an hour; return what they complete."""
        self._drawn, self._rests = [], []
        if len(rows) == 0:
            return [], []
        time, p, on = _binned(rows)
        why = self._changes(time, p, on, noise)
        cuts = np.flatnonzero(why)
        edges = [0, *cuts.tolist(), len(time)]
        reasons = [0, *why[cuts].tolist()]
        for index, reason in enumerate(reasons):
            first, last = edges[index], edges[index + 1]
            if reason:
                self._end(reason)
                self._piece = _Piece(float(time[first]), reason, bool(on[first]), self._stood[1])
            if last > first:
                self._grow(time[first:last], p[first:last])
                self._last = (float(time[last - 1]), float(p[last - 1]), bool(on[last - 1]))
        if self._last[0] - self._piece.start >= _PATIENCE:
            self._after(self._piece, self._last[0])
        return self._drawn, self._rests

    def _changes(self, time: FloatArray, p: FloatArray, on: NDArray[np.bool_], noise: Noise) -> FloatArray:
        """Return for each row why a piece begins with it, 0 where none does."""
        before = self._last
        steps = np.diff(p, prepend=before[1])
        waits = np.diff(time, prepend=before[0])
        every = max(float(np.median(waits)), 1.0)
        rows_each = max(1.0, _EVERY / every) if every < _EVERY else 1.0
        step = 5.0 * noise.sd / np.sqrt(rows_each) + 1.2 * noise.resolution
        rise = min(_LEAST_RISE * max(every / _EVERY, 1.0), _MOST_RISE)
        was_on = np.concatenate([[before[2]], on[:-1]])
        why = np.zeros(len(p))
        why[steps > np.where(on, 2.0, 1.0) * max(step, rise)] = _RISE
        why[steps < -max(step, _LEAST_FALL)] = _FALL
        why[(on != was_on) & (why != _FALL)] = _SWITCH
        why[waits > SILENCE] = _GAP
        return why

    def _grow(self, time: FloatArray, p: FloatArray) -> None:
        """Add rows to the piece in progress."""
        piece = self._piece
        age = time[0] - piece.start
        if age < _AFTER[1] and piece.begun in {_FALL, _RISE}:
            ages = time - piece.start
            piece.after += p[(ages >= _AFTER[0]) & (ages <= _AFTER[1])].tolist()
        if piece.heated:
            self._heat = float(time[-1])
            return
        quiet = int(np.searchsorted(time, self._heat + _SETTLED))
        if len(time) - quiet < 2:
            return
        slot = np.floor(time[quiet:] / POINT)
        first = np.concatenate([[0], np.flatnonzero(slot[1:] != slot[:-1]) + 1])
        count = np.concatenate([first[1:], [len(slot)]]) - first
        whole = count >= 2
        piece.time += (np.add.reduceat(time[quiet:], first) / count)[whole].tolist()
        piece.level += (np.add.reduceat(p[quiet:], first) / count)[whole].tolist()
        del piece.time[:-_POINTS], piece.level[:-_POINTS]

    def _end(self, reason: int) -> None:
        """Tell of the piece that ends now; one that ends with a jump up was a draw in progress."""
        piece, last, p = self._piece, self._last[0], self._last[1]
        if reason != _RISE:
            self._after(piece, last)
        if len(piece.time) >= _LEAST_POINTS and not piece.heated:
            before = piece.at_supply
            fell = 0.0 if np.isnan(before) or np.isnan(piece.stood) else max(piece.stood - before, 0.0)
            points = np.array(piece.time), np.array(piece.level)
            self._rests.append(Rest(piece.start, last, before, fell, *points, drawn=reason == _FALL))
        if last - self._stood[0] > _GATHERS or not p < self._stood[1]:
            self._stood = last, p

    def _after(self, piece: _Piece, now: float) -> None:
        """Tell the level after the draw that began a piece, once, where it is sure that the draw has ended."""
        ended = piece.begun == _RISE or (piece.begun == _FALL and now - piece.start >= _STANDS)
        if piece.told or not ended or len(piece.after) < _LEAST_AFTER:
            return
        piece.told = True
        heated = piece.heated or piece.start - self._heat < _WARM
        # Heat raises the line by and by: its first rows are nearest to the supply.
        level = median(piece.after[:_LEAST_AFTER] if piece.heated else piece.after)
        if not heated:
            piece.at_supply = level
        self._drawn.append(Drawn(piece.start, level, heated))


def _binned(rows: Samples) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return time, pressure [Pa] and whether heat may be on, as means over ten seconds where rows come faster."""
    time, p, on = rows.time, rows.pressure * _KPA, ~(rows.heater <= 0.5)  # not known: it may be
    if len(rows) < 2 or time[-1] - time[0] >= 0.8 * _EVERY * (len(rows) - 1):
        return time, p, on
    slot = np.floor(time / _EVERY)
    first = np.flatnonzero(np.diff(slot, prepend=slot[0] - 1.0))
    count = np.diff(np.append(first, len(slot)))
    means = np.add.reduceat(time, first) / count, np.add.reduceat(p, first) / count
    return *means, np.logical_or.reduceat(on, first)
