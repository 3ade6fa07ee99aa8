"""Whether pressure answers to heat: the rank sum against every permutation, and lines that do and do not."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from monitor.estimation.burns import Burn
from monitor.estimation.response import Response, rank_sum
from monitor.estimation.samples import Samples

HOUR = 3600.0
EVERY = 10.0


@pytest.mark.parametrize(
    "values", [[1.0, 2, 3, 4, 5, 6, 7], [1.0, 1, 2, 2, 2, 5, 9], [0.0, 0, 0, 0, 0, 1, 1]]
)
def test_the_rank_sum_has_mean_nought_and_variance_one_over_all_ways_to_deal(values: list[float]) -> None:
    """Mann and Whitney (1947), ties by mid-ranks: enumerated here, no formula of ours."""
    everything = set(range(len(values)))
    dealt = [
        rank_sum(np.array([values[i] for i in one]), np.array([values[i] for i in everything - set(one)]))
        for one in combinations(range(len(values)), 3)
    ]
    assert np.mean(dealt) == pytest.approx(0.0, abs=1e-12)
    assert np.var(dealt) == pytest.approx(1.0, rel=1e-9)


def test_equal_values_say_nothing() -> None:
    assert rank_sum(np.ones(5), np.ones(7)) == 0.0


def watched(climb: float, hours: int = 24, *, pause: float = 3000.0) -> Response:
    """Return what ``hours`` of a line say that wanders by 2 kPa and rises by ``climb`` [kPa] in a burn of 10 min."""
    rng = np.random.default_rng(7)
    response = Response()
    for hour in range(hours):
        time = hour * HOUR + np.arange(0.0, HOUR, EVERY)
        wander = np.cumsum(rng.normal(0.0, 2.0 * np.sqrt(EVERY / 300.0), len(time)))
        on = time - hour * HOUR >= pause
        rise = climb * np.clip((time - hour * HOUR - pause) / 600.0, 0.0, 1.0)
        rows = Samples(time, 400.0 + wander + rise, on.astype(float), np.full(len(time), np.nan))
        first = int(np.argmax(on)) if on.any() else len(time)
        if first < len(time):
            response.burn(Burn(float(time[-1]), rows.between(max(first - 1, 0), len(rows)), float(time[-1])))
        response.hour(rows)
    return response


def test_a_line_that_rises_with_heat_is_proven() -> None:
    seen = watched(25.0)
    assert seen.proven
    assert not seen.denied


def test_a_line_that_only_wanders_is_denied() -> None:
    seen = watched(0.0)
    assert not seen.proven
    assert seen.denied


def test_a_handful_of_burns_neither_proves_nor_denies() -> None:
    seen = watched(0.0, hours=4)
    assert not seen.proven
    assert not seen.denied


def test_a_line_that_falls_with_heat_is_denied() -> None:
    assert watched(-25.0).denied


def test_what_was_seen_three_days_ago_proves_nothing_today() -> None:
    seen = watched(25.0)
    time = 100 * HOUR + np.arange(0.0, HOUR, EVERY)
    nan = np.full(len(time), np.nan)
    seen.hour(Samples(time, np.full(len(time), 400.0), np.zeros(len(time)), nan))
    assert not seen.proven


def test_an_hour_that_burns_throughout_gives_no_stretch_without_heat() -> None:
    seen = watched(25.0, pause=0.0)
    assert not seen.proven
    assert not seen.denied
