"""Laws of sealed hours: any readings come back bit for bit, once, in order, whatever is sealed when."""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor import units
from monitor.readings import Point, Reading
from monitor.store import codec, rollups, sealed
from monitor.store.ballast import Ballast
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

HOUR = 3600.0
FINITE = st.floats(allow_nan=False, allow_infinity=False)
WORDS = [-0.0, 0.0, 5e-324, -1.7976931348623157e308, 2.0**53 + 2, 0.1 + 0.2, 1e22]
STEPS = st.one_of(st.integers(1, 100), st.sampled_from([5_000_000, 4_999_999, 1, 2**33]))


@st.composite
def written(draw: st.DrawFn) -> list[float]:
    """Return values as a device may send them: digits in some unit, a raw count that was scaled, or anything."""
    size = draw(st.integers(1, 60))
    whole = np.array(draw(st.lists(st.integers(-4096, 4096), min_size=size, max_size=size)))
    factor = draw(st.sampled_from([unit.factor / units.KPA for unit in units.PRESSURE.values()]))
    digits = draw(st.integers(0, 4))
    low, high = draw(st.floats(-100, 100)), draw(st.floats(101, 5000))
    forms: list[np.ndarray] = [whole / 10**digits * factor, low + (whole - 4.0) / 4091.0 * (high - low)]
    odd = draw(st.lists(st.one_of(FINITE, st.sampled_from(WORDS)), min_size=size, max_size=size))
    return list(draw(st.sampled_from([*(form.tolist() for form in forms), odd])))


@given(first=st.integers(0, 2**57), steps=st.lists(STEPS, min_size=60, max_size=60), values=written())
@example(first=0, steps=[1] * 60, values=WORDS)
@example(first=1, steps=[5_000_000] * 60, values=[-0.0])
@settings(deadline=None)
def test_any_readings_come_back_bit_for_bit(first: int, steps: list[int], values: list[float]) -> None:
    times = first + np.concatenate(([0], np.cumsum(steps)))[: len(values)]
    array = np.array(values)
    back_times, back = codec.unpack([(len(values), codec.pack((times, array)))])
    assert back_times.tolist() == times.tolist()
    assert back.tobytes() == struct.pack(f"={len(values)}d", *values)


@given(st.binary(max_size=80), st.integers(0, 200), st.integers(0, 255))
def test_a_damaged_blob_is_refused_or_right_but_never_wrong(junk: bytes, at: int, value: int) -> None:
    times, values = np.arange(100) * 5_000_000, np.round(np.sin(np.arange(100.0)), 1)
    body = bytearray(codec.pack((times, values)))
    body[at % len(body)] ^= value
    for damaged in (bytes(body), junk):
        try:
            back_times, back = codec.unpack([(100, damaged)])
        except ValueError as error:
            assert "damaged" in str(error)  # noqa: PT017  either is right
        else:
            assert (back_times.tolist(), back.tobytes()) == (times.tolist(), values.tobytes())


class Stopped:
    def now(self) -> float:
        return 4e9


@given(
    batches=st.lists(
        st.tuples(
            st.lists(
                st.tuples(
                    st.sampled_from([Point.PRESSURE, Point.HEATER]),
                    st.integers(0, 40).map(lambda step: 1e9 + step * 900.000001),
                    st.floats(-1e6, 1e6),
                ),
                max_size=25,
            ),
            st.booleans(),
        ),
        max_size=6,
    )
)
@settings(max_examples=25, deadline=None)
def test_sealing_at_any_time_changes_nothing_that_is_read(
    batches: Sequence[tuple[list[tuple[Point, float, float]], bool]],
) -> None:
    model: dict[tuple[Point, int], float] = {}
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "store.db")
        upkeep = Upkeep(store.database, Stopped(), Keep(), Ballast(Path(folder) / "ballast", 0))
        for rows, seal in batches:
            before = len(model)
            for point, time, value in rows:
                model.setdefault((point, round(time * 1e6)), value)
            new = len(store.commit([Reading("mill-3", *row) for row in rows], []).new)
            assert new == len(model) - before
            if seal:
                upkeep.tidy(hurry=True)
            for point in (Point.PRESSURE, Point.HEATER):
                mine = sorted((time / 1e6, value) for (name, time), value in model.items() if name is point)
                times, values = store.readings("mill-3", point, 0, 1e12)
                assert list(zip(times.tolist(), values.tolist(), strict=True)) == mine
                part = [pair for pair in mine if 1e9 + 4000 <= pair[0] < 1e9 + 20_000]
                times, values = store.readings("mill-3", point, 1e9 + 4000, 1e9 + 20_000)
                assert list(zip(times.tolist(), values.tolist(), strict=True)) == part
                newest = store.latest("mill-3").get(point)
                assert (None if newest is None else (newest.time, newest.value)) == (
                    mine[-1] if mine else None
                )
            instants = [time / 1e6 for _, time in model]
            assert store.span("mill-3") == ((min(instants), max(instants)) if instants else None)
        assert store.integrity() == []
        store.close()


@given(
    st.dictionaries(st.integers(0, 3_599), st.floats(-1e6, 1e6), min_size=1, max_size=120),
    st.sampled_from([60, 600, 3600]),
)
def test_a_roll_up_is_what_its_readings_say(readings: dict[int, float], width: int) -> None:
    pairs = sorted(readings.items())
    times = np.array([time for time, _ in pairs]) * 1_000_000
    values = np.array([value for _, value in pairs])
    rolled = rollups.roll(times, values, width * 1_000_000)
    for row, start in enumerate(rolled.start.tolist()):
        inside = {
            time * 1_000_000: value
            for time, value in pairs
            if start <= time * 1_000_000 < start + width * 1_000_000
        }
        assert rolled.number[row] == len(inside)
        assert rolled.least[row] == min(inside.values()) == inside[int(rolled.least_us[row])]
        assert rolled.most[row] == max(inside.values()) == inside[int(rolled.most_us[row])]
        # Rounded to 0.0001; the sum of 120 values below 1e6 is good to 1e-7.
        assert rolled.mean[row] == pytest.approx(sum(inside.values()) / len(inside), abs=0.6e-4)
        assert rolled.least[row] <= rolled.mean[row] <= rolled.most[row]
    assert int(rolled.number.sum()) == len(pairs)


def test_keys_of_series_do_not_meet() -> None:
    last_hour = 253_402_300_800 // 3600  # the year 10000
    assert sealed.key(1, last_hour) < sealed.key(2, 0)
