"""What matters in a stream of rows, found the same however the stream is cut."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.estimation.burns import SILENCE, TAIL, Burn, BurnTracker, Gap, Hour, Mark, NearRelief
from monitor.estimation.samples import Samples, join

START = 1.7e9 - 1.7e9 % 3600.0  # a full hour
NEAR = 900.0


def rows(
    time: Iterable[float], heater: Iterable[float], pressure: float | Iterable[float] = 400.0
) -> Samples:
    """Return rows; ``time`` in seconds since a full hour."""
    t = np.array([*time], dtype=float) + START
    p = np.broadcast_to(np.asarray(pressure if isinstance(pressure, float) else [*pressure]), t.shape)
    return Samples(t, np.array(p, dtype=float), np.array([*heater], dtype=float), np.full(len(t), np.nan))


def marks(samples: Samples, cuts: Iterable[int] = ()) -> list[Mark]:
    """Return the marks when rows come in batches that end at ``cuts``."""
    tracker = BurnTracker(NEAR)
    edges = [0, *sorted(cuts), len(samples)]
    return [mark for first, last in pairwise(edges) for mark in tracker.feed(samples.between(first, last))]


def told(mark: Mark) -> tuple[object, ...]:
    """Return a mark as something that compares."""
    if isinstance(mark, Gap):
        return "gap", mark.at, mark.start
    held = (mark.rows.time.tolist(), mark.rows.pressure.tolist(), mark.rows.heater.tolist())
    if isinstance(mark, Burn):
        return "burn", mark.at, mark.off, mark.tail, str(held)
    return type(mark).__name__, mark.at, str(held)


def of(kind: type[Mark], found: list[Mark]) -> list[Mark]:
    """Return the marks of one kind."""
    return [mark for mark in found if isinstance(mark, kind)]


def test_a_burn_carries_the_row_before_it_its_rows_and_its_tail() -> None:
    time = np.arange(0.0, 1000.0, 10.0)
    on = (time >= 100.0) & (time < 400.0)
    (burn,) = of(Burn, marks(rows(time, on)))
    assert isinstance(burn, Burn)
    assert burn.rows.time[0] - START == 90.0
    assert burn.off == START + 395.0  # half-way between the last row on and the first row off
    assert burn.tail == round(TAIL / 10.0)
    assert burn.rows.time[-1 - burn.tail] - START == 390.0
    assert burn.at >= burn.rows.time[-1]


def test_a_burn_that_was_on_from_the_first_row_has_none_before_it() -> None:
    time = np.arange(0.0, 1000.0, 10.0)
    (burn,) = of(Burn, marks(rows(time, time < 300.0)))
    assert isinstance(burn, Burn)
    assert burn.rows.time[0] == START


@pytest.mark.parametrize("state", [float("nan"), 1.0])
def test_a_burn_whose_end_was_not_seen_has_no_end(state: float) -> None:
    """The heater's state is lost, or nothing is heard for longer than a silence."""
    time = np.concatenate([np.arange(0.0, 300.0, 10.0), [300.0 if np.isnan(state) else 300.0 + 2 * SILENCE]])
    found = of(Burn, marks(rows(time, [*np.ones(30), state])))
    assert isinstance(found[0], Burn)
    assert found[0].off is None
    assert found[0].tail == 0
    assert found[0].rows.time[-1] - START == 290.0


def test_the_next_burn_ends_a_tail() -> None:
    time = np.arange(0.0, 1000.0, 10.0)
    on = ((time >= 100.0) & (time < 400.0)) | (time >= 450.0)
    first = of(Burn, marks(rows(time, on)))[0]
    assert isinstance(first, Burn)
    assert first.tail == 5
    assert first.at == START + 450.0


def test_a_long_burn_is_heard_of_before_it_ends() -> None:
    """Ten hours of burn: what it shows must not wait for its end."""
    time = np.arange(0.0, 36_000.0, 10.0)
    found = of(Burn, marks(rows(time, np.ones(len(time)))))
    assert len(found) >= 4
    assert all(isinstance(b, Burn) and b.off is None for b in found)
    ends = [b.rows.time[-1] for b in found if isinstance(b, Burn)]
    assert max(np.diff([START, *ends])) <= 7210.0


def test_every_full_hour_is_marked_once_with_its_rows() -> None:
    time = np.arange(1800.0, 5.0 * 3600.0, 10.0)
    hours = of(Hour, marks(rows(time, np.zeros(len(time)))))
    assert [mark.at - START for mark in hours] == [3600.0, 7200.0, 10_800.0, 14_400.0]
    held = [mark.rows.time for mark in hours if isinstance(mark, Hour)]
    np.testing.assert_array_equal(np.concatenate(held) - START, time[time < 14_400.0])


def test_a_silence_is_a_gap_and_shorter_ones_are_not() -> None:
    short, long = SILENCE - 10.0, SILENCE + 10.0
    found = of(Gap, marks(rows([0.0, 10.0, 10.0 + short, 10.0 + short + long], [0.0] * 4)))
    assert [(g.start - START, g.at - START) for g in found if isinstance(g, Gap)] == [
        (10.0 + short, 10.0 + short + long)
    ]


def test_a_line_near_the_relief_setting_is_looked_at_every_minute_of_a_burn() -> None:
    time = np.arange(0.0, 1200.0, 10.0)
    on = (time >= 100.0) & (time < 900.0)
    pressure = np.where(time >= 300.0, 950.0, 500.0)
    looks = of(NearRelief, marks(rows(time, on, pressure)))
    at = [mark.at - START for mark in looks]
    assert at[0] == 300.0
    assert set(np.diff(at)) == {60.0}
    assert at[-1] < 900.0
    for mark in looks:
        assert isinstance(mark, NearRelief)
        assert mark.rows.time[-1] == mark.at


def test_marks_come_in_the_order_of_the_rows_that_decide_them() -> None:
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.choice([5.0, 20.0, 400.0], 3000, p=[0.6, 0.39, 0.01]))
    on = (np.cumsum(rng.random(3000) < 0.02) % 2).astype(float)
    found = marks(rows(time, on, rng.uniform(300.0, 1000.0, 3000)))
    at = [mark.at for mark in found]
    assert at == sorted(at)


steps = st.sampled_from([1.0, 10.0, 55.0, 60.0, 240.0, SILENCE, SILENCE + 1.0, 3600.0, 7300.0])
states = st.sampled_from([0.0, 0.0, 1.0, 1.0, 11_700.0, float("nan")])
lines = st.lists(
    st.tuples(steps, states, st.sampled_from([400.0, NEAR - 1.0, NEAR, 950.0]), st.integers(1, 30)),
    min_size=1,
    max_size=40,
)


@st.composite
def streams(draw: st.DrawFn) -> Samples:
    """Return rows in runs: a step, a state, a pressure, and how often they repeat."""
    at = 0.0
    time, heater, pressure = [], [], []
    for step, state, level, count in draw(lines):
        for _ in range(count):
            at += step
            time.append(at)
            heater.append(state)
            pressure.append(level)
    return rows(time, heater, pressure)


@given(streams(), st.lists(st.floats(0.0, 1.0), max_size=12))
@example(rows([0.0, 300.0, 7500.0, 7510.0], [1.0, 1.0, 1.0, 0.0]), [0.25, 0.5, 0.75])
@settings(max_examples=150)
def test_any_cut_gives_the_same_marks(samples: Samples, where: list[float]) -> None:
    whole = [told(mark) for mark in marks(samples)]
    cut = [told(mark) for mark in marks(samples, (round(share * len(samples)) for share in where))]
    assert cut == whole


@given(streams())
@settings(max_examples=50)
def test_row_by_row_gives_the_same_marks(samples: Samples) -> None:
    whole = [told(mark) for mark in marks(samples)]
    assert [told(mark) for mark in marks(samples, range(1, len(samples)))] == whole


@given(streams(), st.floats(0.0, 1.0))
@settings(max_examples=50)
def test_a_mark_never_depends_on_rows_after_it(samples: Samples, share: float) -> None:
    """What a prefix of the rows marks is a prefix of what all of them mark."""
    some = [told(mark) for mark in marks(samples.between(0, round(share * len(samples))))]
    assert [told(mark) for mark in marks(samples)][: len(some)] == some


@given(streams())
@settings(max_examples=50)
def test_every_row_with_the_heater_on_is_in_a_burn_once_it_is_over(samples: Samples) -> None:
    """A stretch of rows off at the end closes all; pieces of a long burn share a row at their seam."""
    quiet = rows(np.arange(1.0, 60.0) * 60.0 + samples.time[-1] - START, np.zeros(59))
    found = of(Burn, marks(join(samples, quiet)))
    burnt = [
        t
        for b in found
        if isinstance(b, Burn)
        for t, on in zip(b.rows.time, b.rows.heater, strict=True)
        if on > 0.5
    ]
    assert set(burnt) == set(samples.time[samples.heater > 0.5])
