"""A line of numbers against a plain set: any order of arrival, any repeats, any cut into batches."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from monitor.store.numbers import Line, Run, begun, between, common, follow, runs_of

NUMBERS = st.one_of(st.integers(0, 60), st.integers(0, 2**63 - 1))
BATCHES = st.lists(st.lists(st.integers(0, 80), min_size=1, max_size=15), min_size=1, max_size=12)
SETS = st.sets(st.integers(0, 60))


def members(runs: tuple[Run, ...] | list[Run]) -> set[int]:
    return {number for run in runs for number in range(run.first, run.last + 1)}


def apart(runs: tuple[Run, ...] | list[Run]) -> bool:
    """Tell whether runs are ascending, not empty, and do not even touch."""
    return all(run.first <= run.last for run in runs) and all(
        one.last + 1 < other.first for one, other in pairwise(runs)
    )


@given(BATCHES, st.booleans())
def test_a_line_knows_what_a_set_knows(batches: list[list[int]], first_ever: bool) -> None:
    line = begun(batches[0][0], first_ever=first_ever)
    come: set[int] = set()
    noticed: set[int] = set()
    for batch in batches:
        step = follow(line, batch)
        line = step.line
        missed = noticed - come
        assert members(step.filled) == missed & set(batch)
        come |= set(batch)
        start = min(come) if first_ever else min(1, *come)
        whole = set(range(start, max(come) + 1))
        assert (line.start, line.highest) == (start, max(come))
        assert members(line.holes) == whole - come
        assert members(step.opened) == whole - come - noticed
        assert apart(line.holes)
        assert apart(step.opened)
        assert apart(step.filled)
        missing = whole - come
        assert line.through == (min(missing) - 1 if missing else max(come))
        noticed |= whole - come


@given(st.lists(NUMBERS, min_size=1), st.randoms())
def test_the_order_and_repeats_within_a_batch_do_not_matter(numbers: list[int], rng: object) -> None:
    shuffled = sorted(numbers * 2, key=lambda _: rng.random())  # type: ignore[attr-defined]
    line = begun(min(numbers), first_ever=True)
    assert follow(line, shuffled) == follow(line, numbers)


@given(st.lists(NUMBERS, min_size=1, unique=True), st.data())
def test_the_cut_into_batches_does_not_matter(numbers: list[int], data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(numbers)))
    line = begun(numbers[0], first_ever=True)
    whole = follow(line, numbers).line
    assert follow(follow(line, numbers[:cut]).line, numbers[cut:]).line == whole


@given(st.lists(NUMBERS))
def test_what_has_come_changes_nothing(numbers: list[int]) -> None:
    line = follow(Line(0, -1), numbers).line
    assert follow(line, numbers) == (line, (), ())


@given(SETS, SETS)
def test_parts_of_runs_are_parts_of_sets(one: set[int], other: set[int]) -> None:
    ones, others = runs_of(one), runs_of(other)
    assert members(ones) == one
    assert apart(ones)
    assert members(common(ones, others)) == one & other
    assert apart(common(ones, others))
    whole = Run(10, 50)
    assert members(between(ones, whole)) == set(range(10, 51)) - one
    assert apart(between(ones, whole))
