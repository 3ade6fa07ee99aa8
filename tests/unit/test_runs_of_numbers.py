"""Runs of numbers by hand; the laws are in the property tests."""

from __future__ import annotations

import pytest

from monitor.store.numbers import Line, Run, begun, between, follow


def test_a_first_boot_starts_where_we_came_in_and_a_later_one_at_one() -> None:
    assert follow(begun(40, first_ever=True), [40, 41]).opened == ()
    later = follow(begun(4, first_ever=False), [4, 5])
    assert later.opened == (Run(1, 3),)
    assert later.line.through == 0


def test_a_later_boot_that_counts_from_nought_starts_there() -> None:
    assert follow(begun(0, first_ever=False), [0, 1]).line == Line(0, 1)
    assert follow(Line(1, 4), [0]).line == Line(0, 4)


def test_a_jump_is_one_gap_and_a_late_number_splits_it() -> None:
    step = follow(Line(1, 10), [20])
    assert step.opened == (Run(11, 19),)
    assert step.line.through == 10
    step = follow(step.line, [15, 3])
    assert step.filled == (Run(15, 15),)
    assert step.line.holes == (Run(11, 14), Run(16, 19))
    step = follow(step.line, range(11, 20))
    assert step.filled == (Run(11, 14), Run(16, 19))
    assert step.line == Line(1, 20)
    assert step.line.through == 20


def test_the_greatest_number_of_all_is_one_gap() -> None:
    assert follow(Line(1, 1), [2**63 - 1]).opened == (Run(2, 2**63 - 2),)


@pytest.mark.parametrize("whole", [Run(1, 0), Run(5, 3)])
def test_an_empty_run_lacks_nothing(whole: Run) -> None:
    assert between([Run(1, 9)], whole) == []
