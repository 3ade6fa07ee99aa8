"""Which readings are told of a time that was told before, against the rule itself applied to all that has come."""

from __future__ import annotations

import math
import tempfile
from itertools import pairwise
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.readings import Origin, Point, Reading
from monitor.store.sqlite import SqliteStore

T0 = 1_000_000_000
POINTS = (Point.PRESSURE, Point.HEATER)

Case = tuple[list[tuple[int, Point]], list[list[int]]]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Return (time, point) of the messages of a boot, and how they come: in batches, in any order, each once."""
    now, messages = 0, []
    for _ in range(draw(st.integers(1, 25))):
        now += draw(st.sampled_from([1, 1, 1, 1, 1, 2, 0, -1, -5, -9]))
        messages.append((now, draw(st.sampled_from(POINTS))))
    order = draw(st.permutations(range(len(messages))))
    cuts = draw(st.sets(st.integers(0, len(messages))))
    edges = [0, *sorted(cuts), len(messages)]
    return messages, [list(order[first:last]) for first, last in pairwise(edges)]


H, P = Point.HEATER, Point.PRESSURE
# A gap that was half filled when the heater was first heard, and the rest of it with the clock of before.
HALF_FILLED: Case = (
    [(1, P), (2, P), (12, H), (13, P), (11, H), (14, P), (15, H)],
    [[0, 5], [2, 6], [1, 3, 4]],
)


@settings(max_examples=100, deadline=None)
@given(cases())
@example(([(1, P), (5, P), (3, P), (9, P)], [[0, 3], [1, 2]]))
@example(([(1, P), (5, P), (3, P), (9, P)], [[0, 3], [1], [2]]))
@example(HALF_FILLED)
def test_a_reading_is_retold_where_a_lower_number_told_its_time_or_a_later_one(case: Case) -> None:
    messages, batches = case
    come: set[int] = set()
    retold: set[int] = set()
    stamps: set[tuple[Point, int]] = set()
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        for count, batch in enumerate(batches):
            store.commit(
                [
                    Reading("s", point, T0 + time, float(index), Origin("d", "b", index + 1, float(count)))
                    for index, (time, point) in ((index, messages[index]) for index in batch)
                ],
                [],
            )
            come |= set(batch)
            for index in batch:
                time, point = messages[index]
                lower = [messages[one][0] for one in come if one < index and messages[one][1] is point]
                if any(told >= time for told in lower):
                    retold.add(index)
            for index in batch:
                time, point = messages[index]
                if index not in retold and (point, time) in stamps:
                    retold.add(index)  # by its stamp it would be hidden
                elif index not in retold:
                    stamps.add((point, time))
        found = {int(one.value) for point in POINTS for one in store.retold("s", point)}
        plain = {int(value) for point in POINTS for value in store.readings("s", point, 0, math.inf)[1]}
        store.close()
    assert found == retold
    assert plain == come - retold
