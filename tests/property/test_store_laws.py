"""Laws of the store, against a dictionary as the model."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.readings import Point, Reading
from monitor.store.sqlite import SqliteStore

TIMES = st.integers(0, 60).map(lambda step: 1e9 + step * 0.5)
READINGS = st.builds(
    Reading,
    site=st.sampled_from(["mill-3", "shed"]),
    point=st.sampled_from(Point),
    time=TIMES,
    value=st.floats(-1e6, 1e6),
)
FEW = settings(max_examples=20, deadline=None)  # each example makes a file and syncs it


@contextmanager
def new_store() -> Iterator[SqliteStore]:
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        yield store
        store.close()


@FEW
@given(st.lists(st.lists(READINGS, max_size=20), max_size=6))
def test_the_first_value_of_a_key_stays_and_only_new_keys_count(batches: list[list[Reading]]) -> None:
    model: dict[tuple[str, Point, float], float] = {}
    with new_store() as store:
        for batch in batches:
            before = len(model)
            for reading in batch:
                model.setdefault((reading.site, reading.point, reading.time), reading.value)
            assert len(store.commit(batch, []).new) == len(model) - before
        for site in ("mill-3", "shed"):
            at_site = sorted(time for name, _, time in model if name == site)
            assert store.span(site) == ((at_site[0], at_site[-1]) if at_site else None)
            for point in Point:
                expected = sorted((t, v) for (s, p, t), v in model.items() if (s, p) == (site, point))
                times, values = store.readings(site, point, 0, 1e12)
                assert list(zip(times.tolist(), values.tolist(), strict=True)) == expected
                newest = store.latest(site).get(point)
                assert (newest is None) == (not expected)
                assert newest is None or (newest.time, newest.value) == expected[-1]


@FEW
@given(
    values=st.dictionaries(st.integers(0, 10_000), st.floats(-1e6, 1e6), min_size=1, max_size=200),
    limit=st.integers(2, 60),
)
def test_fewer_points_are_some_of_all_with_both_extremes(values: dict[int, float], limit: int) -> None:
    with new_store() as store:
        store.commit([Reading("mill-3", Point.PRESSURE, 1e9 + t, v) for t, v in values.items()], [])
        times, kept = store.readings_decimated("mill-3", Point.PRESSURE, 0, 1e12, limit)
    pairs = list(zip(times.tolist(), kept.tolist(), strict=True))
    assert len(pairs) <= limit or len(values) <= limit
    assert set(pairs) <= {(1e9 + t, v) for t, v in values.items()}
    assert times.tolist() == sorted(set(times.tolist()))
    assert min(kept) == min(values.values())
    assert max(kept) == max(values.values())
    if len(values) <= limit:
        assert len(pairs) == len(values)


@FEW
@given(st.floats(0, 4e9), st.floats(0, 4e9), st.lists(TIMES, max_size=30))
def test_a_span_holds_its_start_and_not_its_end(start: float, end: float, times: list[float]) -> None:
    with new_store() as store:
        store.commit([Reading("mill-3", Point.PRESSURE, time, 1.0) for time in times], [])
        found = store.readings("mill-3", Point.PRESSURE, start, end)[0].tolist()
        for edge in times[:3]:
            assert store.readings("mill-3", Point.PRESSURE, edge, edge)[0].size == 0
            assert store.readings("mill-3", Point.PRESSURE, edge, edge + 0.25)[0].tolist() == [edge]
    assert found == sorted({time for time in times if start <= time < end})
