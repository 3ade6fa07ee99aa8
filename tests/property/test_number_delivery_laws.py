"""Messages with numbers, delivered in any order, again and again, with a clock that leaps: each is kept once."""

from __future__ import annotations

import math
import tempfile
from collections import Counter
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.readings import Origin, Point, Reading, Rejected
from monitor.store.sqlite import SqliteStore

T0 = 1e9
BOOTS = ("a", "b")


@st.composite
def deliveries(draw: st.DrawFn) -> tuple[list[tuple[str, int, int, bool]], list[list[int]]]:
    """Return messages (boot, number, time, good) and which of them each batch carries, in its order."""
    messages = []
    for boot in BOOTS:
        now = 0
        for number in range(1, draw(st.integers(0, 12)) + 1):
            now += draw(st.sampled_from([1, 1, 1, 1, 2, 0, -1, -4]))
            messages.append((boot, number, now, draw(st.integers(0, 9)) > 0))
    if not messages:
        return [], []
    places = st.lists(st.integers(0, len(messages) - 1), max_size=12)
    return messages, draw(st.lists(places, max_size=8))


def first_boot(messages: list[tuple[str, int, int, bool]], batches: list[list[int]]) -> str:
    """Return the boot that the store heard of first; of a batch it takes what was refused first."""
    batch = next(batch for batch in batches if batch)
    refused = [index for index in batch if not messages[index][3]]
    return messages[(refused or batch)[0]][0]


@settings(max_examples=60, deadline=None)
@given(deliveries())
def test_each_message_that_came_is_kept_exactly_once(
    case: tuple[list[tuple[str, int, int, bool]], list[list[int]]],
) -> None:
    messages, batches = case
    come: set[int] = set()
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        for count, batch in enumerate(batches):
            readings, rejected = [], []
            for place, index in enumerate(batch):
                boot, number, time, good = messages[index]
                origin = Origin("d", boot, number, T0 + 100 * count + place)
                if good:
                    # The value says which message it is; a message of odd number has two points.
                    points = (Point.PRESSURE, Point.HEATER)[: 1 + number % 2]
                    readings += [Reading("s", point, T0 + time, float(index), origin) for point in points]
                else:
                    rejected.append(Rejected(T0, "t", str(index), b"", origin))
            committed = store.commit(readings, rejected)
            come |= set(batch)
            assert len({id(reading) for reading in committed.new}) == len(committed.new)
        for point in (Point.PRESSURE, Point.HEATER):
            kept = Counter(store.readings("s", point, 0, math.inf)[1].tolist())
            kept.update(reading.value for reading in store.retold("s", point))
            wanted = {
                float(index)
                for index in come
                if messages[index][3] and (point is Point.PRESSURE or messages[index][1] % 2)
            }
            assert kept == Counter(wanted)
        listed = Counter(int(row.reason) for row in store.rejected(1000))
        assert listed == Counter({index for index in come if not messages[index][3]})
        told = {progress.boot: progress for one in store.progress(["d"]) for progress in one.boots}
        for boot in BOOTS:
            numbers = {messages[index][1] for index in come if messages[index][0] == boot}
            assert (boot in told) == bool(numbers)
            if numbers:
                start = min(numbers) if boot == first_boot(messages, batches) else 1
                absent = set(range(start, max(numbers) + 1)) - numbers
                missing = {n for first, last in told[boot].missing for n in range(first, last + 1)}
                assert (told[boot].highest, missing) == (max(numbers), absent)
                assert told[boot].through == (min(absent) - 1 if absent else max(numbers))
        store.close()
