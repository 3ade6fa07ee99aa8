"""When a site is analysed anew: waits for the end of a backlog, not for ever, and not all the time."""

from __future__ import annotations

from monitor.service.corrections import LATEST, QUIET, SPACING, Corrections
from monitor.service.ports import Overdue


def test_a_backlog_is_waited_for_until_it_has_stopped_coming() -> None:
    waiting = Corrections()
    assert waiting.due({"a": Overdue(5.0, 1)}, 1000.0) == []
    assert waiting.due({"a": Overdue(5.0, 2)}, 1050.0) == []
    assert waiting.due({"a": Overdue(5.0, 2)}, 1050.0 + QUIET - 1.0) == []
    assert waiting.due({"a": Overdue(5.0, 2)}, 1050.0 + QUIET) == ["a"]


def test_one_that_does_not_stop_is_not_waited_for_longer_than_that() -> None:
    waiting = Corrections()
    times = [1000.0 + 30.0 * step for step in range(40)]
    due = [now for step, now in enumerate(times) if waiting.due({"a": Overdue(5.0, step + 1)}, now)]
    assert due[0] == 1000.0 + LATEST


def test_a_site_that_is_always_late_is_not_always_analysed_anew() -> None:
    waiting = Corrections()
    assert waiting.due({"a": Overdue(5.0, 1)}, 0.0) == []
    assert waiting.due({"a": Overdue(5.0, 1)}, QUIET) == ["a"]
    waiting.done("a", 100.0)
    assert waiting.due({"a": Overdue(5.0, 1)}, 101.0) == []
    assert waiting.due({"a": Overdue(5.0, 1)}, 100.0 + SPACING - 1.0) == []
    assert waiting.due({"a": Overdue(5.0, 1)}, 100.0 + SPACING) == ["a"]


def test_each_site_waits_for_itself_and_what_is_over_is_forgotten() -> None:
    waiting = Corrections()
    waiting.due({"a": Overdue(5.0, 1)}, 0.0)
    assert waiting.due({"a": Overdue(5.0, 1), "b": Overdue(5.0, 1)}, QUIET) == ["a"]
    assert waiting.due({}, QUIET + 1.0) == []
    assert waiting.due({"b": Overdue(5.0, 1)}, QUIET + 2.0) == []


def test_a_clock_that_is_set_back_makes_no_site_wait_for_it() -> None:
    waiting = Corrections()
    waiting.due({"a": Overdue(5.0, 1)}, 10_000.0)
    assert waiting.due({"a": Overdue(5.0, 1)}, 6_400.0) == ["a"]
