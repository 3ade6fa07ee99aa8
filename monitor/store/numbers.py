"""Sets of whole numbers as runs: which numbers of a device have come, and which are missing in between.

A `Line` is the set of all numbers from ``start`` to ``highest`` but those in its holes. Kept this way it stays
small however many numbers there are, since what is missing is rare. Pure; no clock, no I/O.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Run(NamedTuple):
    """The whole numbers from ``first`` to ``last``, both included."""

    first: int
    last: int


class Line(NamedTuple):
    """All numbers from ``start`` to ``highest`` but those in ``holes`` (ascending, apart from each other)."""

    start: int
    highest: int
    holes: tuple[Run, ...] = ()

    @property
    def through(self) -> int:
        """Return the end of the unbroken run from the start; ``start - 1`` where the first is missing."""
        return self.holes[0].first - 1 if self.holes else self.highest


class Step(NamedTuple):
    """A line after more numbers have come: holes that are new, and numbers that were in a hole before."""

    line: Line
    opened: tuple[Run, ...]
    filled: tuple[Run, ...]


def runs_of(numbers: Iterable[int]) -> list[Run]:
    """Return numbers as runs, ascending, as few as possible.

    >>> runs_of([7, 2, 1, 3, 2])
    [Run(first=1, last=3), Run(first=7, last=7)]
    """
    found: list[Run] = []
    for number in sorted(numbers):
        if found and number <= found[-1].last + 1:
            found[-1] = Run(found[-1].first, max(found[-1].last, number))
        else:
            found.append(Run(number, number))
    return found


def between(runs: Sequence[Run], whole: Run) -> list[Run]:
    """Return what is missing of a whole run beside ``runs`` (ascending, apart from each other).

    >>> between([Run(3, 4)], Run(1, 6))
    [Run(first=1, last=2), Run(first=5, last=6)]
    """
    missing, first = [], whole.first
    for run in runs:
        if run.last < whole.first or run.first > whole.last:
            continue
        if run.first > first:
            missing.append(Run(first, run.first - 1))
        first = run.last + 1
    if first <= whole.last:
        missing.append(Run(first, whole.last))
    return missing


def common(ones: Sequence[Run], others: Sequence[Run]) -> list[Run]:
    """Return the runs of numbers that are in both (each ascending, its runs apart from each other).

    >>> common([Run(1, 5)], [Run(4, 9)])
    [Run(first=4, last=5)]
    """
    found, here, there = [], 0, 0
    while here < len(ones) and there < len(others):
        one, other = ones[here], others[there]
        first, last = max(one.first, other.first), min(one.last, other.last)
        if first <= last:
            found.append(Run(first, last))
        if one.last < other.last:
            here += 1
        else:
            there += 1
    return found


def begun(number: int, *, first_ever: bool) -> Line:
    """Return an empty line whose lowest number to come so far is ``number``.

    Of a device that was never heard before nobody knows what it sent: its line starts where we came in. Later
    boots begin at 1, or at 0 where that is seen, so that what is missing before is a hole.
    """
    start = number if first_ever else min(number, 1)
    return Line(start, start - 1)


def follow(line: Line, numbers: Iterable[int]) -> Step:
    """Return the line with these numbers in it, some of which it may have already; the order does not matter.

    >>> follow(Line(1, 4), [5, 8]).opened
    (Run(first=6, last=7),)
    """
    come = runs_of(numbers)
    if not come:
        return Step(line, (), ())
    start, highest = min(line.start, come[0].first), max(line.highest, come[-1].last)
    opened = between(come, Run(start, line.start - 1)) + between(come, Run(line.highest + 1, highest))
    filled = common(come, line.holes)
    left = [part for hole in line.holes for part in between(filled, hole)]
    return Step(Line(start, highest, tuple(sorted([*left, *opened]))), tuple(opened), tuple(filled))
