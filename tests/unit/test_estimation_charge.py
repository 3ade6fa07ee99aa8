"""The air as a state: what a window, a visit and time do to it. Windows are made from the closed formula."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.estimation.belief import (
    AIR,
    DAY,
    RATE,
    REFERENCE,
    SCALE,
    STATES,
    Belief,
    first_belief,
    normal_cdf,
    predict,
)
from monitor.estimation.charge import see
from monitor.estimation.plant import plant_of
from monitor.estimation.visits import visited
from monitor.estimation.windows import Kind, Window
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction

OUTSIDE = 101_325.0  # ISO 2533 at 0 m
SIXTY = 413_685.0  # Pa: 60 psi
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), tank_volume=8e-3,
            precharge=SIXTY, supply=SIXTY, relief=1034e3)  # fmt: skip
PLANT = plant_of(SITE)
FULL = (SIXTY + OUTSIDE) * 8e-3
START = 1.7e9


def window(air: float, at: float, *, scale: float = 1.0, sd: float = 0.04, kind: Kind = Kind.RISE) -> Window:
    """Return what a window of 70 kPa shows; ``scale``: true over assumed heat. ``at`` in days."""
    p1, p2 = SIXTY + OUTSIDE, SIXTY + OUTSIDE + 70e3
    growth = (air * (1.0 / p1 - 1.0 / p2) + PLANT.elastic * (p2 - p1)) / scale
    end = START + at * DAY
    return Window(kind, end - 300.0, end, p1, p2, growth, sd)


def after(belief: Belief, windows: Iterable[Window]) -> Belief:
    """Return the belief after all of these."""
    for one in windows:
        belief = see(belief, one, PLANT)
    return belief


def steady(air: float, first: float, last: float, *, scale: float = 1.0, a_day: int = 5) -> list[Window]:
    """Return equal windows from day ``first`` to day ``last``."""
    times = np.arange(first + 1.0 / a_day, last + 1e-9, 1.0 / a_day)
    return [window(air, float(at), scale=scale) for at in times]


def visit(at: float, action: str, precharge: float | None = SIXTY) -> Visit:
    """Return a visit at day ``at``."""
    return Visit(START + at * DAY, VisitAction(action), precharge)


def settled(air: float = FULL) -> Belief:
    """Return what is believed after ten days at this air, gauged at the start."""
    return after(visited(first_belief(PLANT, START), visit(0.0, "gauged", air / 8e-3 - OUTSIDE), PLANT),
                 steady(air, 0.0, 10.0))  # fmt: skip


def sound(belief: Belief) -> bool:
    """Whether the covariance is symmetric and positive: at a visit air and reference are one, so not strictly."""
    p = belief.covariance
    np.testing.assert_allclose(p, p.T, rtol=1e-6, atol=1e-12)
    return bool(np.all(np.linalg.eigvalsh(0.5 * (p + p.T)) > -1e-15)) and bool(
        np.all(np.isfinite(belief.mean))
    )


def test_the_first_belief_is_the_stated_charge_loosely() -> None:
    belief = first_belief(PLANT, START)
    assert belief.air == pytest.approx(FULL, rel=1e-9)
    assert belief.air_sd > 0.2
    assert belief.windows == 0


@pytest.mark.parametrize("share", [0.3, 0.6, 1.0])
def test_windows_bring_the_air_within_its_own_doubt(share: float) -> None:
    """Never gauged, heat as on the plate: ten days of windows tell the air to what the heat is known."""
    belief = after(first_belief(PLANT, START), steady(share * FULL, 0.0, 10.0))
    assert abs(math.log(belief.air / (share * FULL))) < 2.0 * belief.air_sd
    assert belief.air_sd < 0.2


@pytest.mark.parametrize("scale", [0.85, 0.93, 1.08, 1.15])
def test_a_gauge_takes_the_error_of_the_heat_away_for_good(scale: float) -> None:
    """Input 15 % off; gauged at 60 psi on day 10; a fifth of the air lost after that is seen to 4 %."""
    belief = after(first_belief(PLANT, START), steady(FULL, 0.0, 10.0, scale=scale))
    belief = visited(belief, visit(10.0, "gauged"), PLANT)
    assert belief.air == pytest.approx(FULL, rel=0.02)
    assert math.exp(belief.mean[SCALE]) == pytest.approx(scale, rel=0.04)
    days = np.arange(10.2, 50.0, 0.2)
    losing = [window(FULL * (1.0 - 0.2 * (at - 10.0) / 40.0), float(at), scale=scale) for at in days]
    belief = after(belief, losing)
    assert belief.air == pytest.approx(0.8 * FULL, rel=0.04)


def test_a_gauge_reading_measures() -> None:
    """A hand gauge is read to about 5 kPa: after it the charge is known to that, whatever was believed."""
    before = after(first_belief(PLANT, START), steady(0.9 * FULL, 0.0, 5.0))
    belief = visited(before, visit(5.0, "gauged"), PLANT)
    assert belief.air_sd < before.air_sd
    assert PLANT.charge_gauge(belief.air) == pytest.approx(SIXTY, abs=10e3)
    assert belief.change_since_reference()[0] == pytest.approx(0.0, abs=1e-12)
    assert belief.reference_time == START + 5.0 * DAY


def test_a_gauge_far_from_all_belief_wins_over_it() -> None:
    belief = visited(settled(), visit(10.0, "gauged", 100e3), PLANT)
    assert PLANT.charge_gauge(belief.air) == pytest.approx(100e3, abs=10e3)
    assert belief.mean[SCALE] == pytest.approx(settled().mean[SCALE], abs=0.02)


@pytest.mark.parametrize("action", ["refilled", "replaced"])
def test_a_refill_resets_air_and_loss_and_keeps_what_was_learned_of_the_heat(action: str) -> None:
    low = after(first_belief(PLANT, START), steady(0.4 * FULL, 0.0, 10.0, scale=1.1))
    belief = visited(low, visit(10.0, action), PLANT)
    assert belief.air == pytest.approx(FULL, rel=0.01)
    assert belief.rate()[0] == 0.0
    assert belief.mean[SCALE] == pytest.approx(low.mean[SCALE])
    assert belief.aside == ()
    assert sound(belief)


def test_a_refill_without_a_reading_is_taken_as_pumped_to_the_target_with_doubt() -> None:
    told = visited(settled(), visit(10.0, "refilled"), PLANT)
    untold = visited(settled(), visit(10.0, "refilled", None), PLANT)
    assert untold.air == pytest.approx(FULL, rel=0.01)
    assert untold.air_sd > 3.0 * told.air_sd


def test_a_charge_found_before_a_refill_teaches_as_a_gauge_reading_does() -> None:
    found = replace(visit(10.0, "refilled"), found=0.8 * SIXTY)
    apart = visited(
        visited(settled(), visit(10.0, "gauged", 0.8 * SIXTY), PLANT), visit(10.0, "refilled"), PLANT
    )
    together = visited(settled(), found, PLANT)
    assert together.mean == pytest.approx(apart.mean)
    assert together.covariance == pytest.approx(apart.covariance)
    # What a gauge shows with water behind the valve is not the air.
    wet = visited(settled(), replace(found, water_at_valve=True), PLANT)
    assert wet.mean == pytest.approx(visited(settled(), visit(10.0, "refilled"), PLANT).mean)


def test_a_look_tells_nothing_of_the_air() -> None:
    looked = visited(settled(), visit(10.0, "looked", None), PLANT)
    assert looked.mean == pytest.approx(predict(settled(), looked.time).mean)


def test_a_gauge_visit_without_a_reading_tells_nothing() -> None:
    before = settled()
    belief = visited(before, visit(10.0, "gauged", None), PLANT)
    assert belief.air == before.air


def test_flat_windows_change_nothing() -> None:
    before = settled()
    assert see(before, window(FULL, 10.5, kind=Kind.FLAT), PLANT) is before


@pytest.mark.parametrize("share", [0.05, 0.2, 4.0])
def test_one_outlier_moves_nothing_and_is_forgotten(share: float) -> None:
    before = settled()
    belief = see(before, window(share * FULL, 10.1), PLANT)
    assert belief.air == pytest.approx(before.air, rel=0.01)
    assert belief.jumps == ()
    belief = after(belief, steady(FULL, 10.2, 12.0))
    assert belief.air == pytest.approx(FULL, rel=0.03)
    assert belief.jumps == ()


def test_two_stiff_windows_that_agree_make_a_jump() -> None:
    belief = after(settled(), [window(0.05 * FULL, 10.1), window(0.05 * FULL, 10.3)])
    assert len(belief.jumps) == 1
    jump = belief.jumps[0]
    assert jump.ratio == pytest.approx(0.05, abs=0.1)
    assert START + 9.9 * DAY <= jump.before <= jump.at <= START + 10.1 * DAY
    belief = after(belief, steady(0.05 * FULL, 10.4, 12.0))
    # What is left is less than the elasticity of the line may hide: a tenth of the full air.
    assert abs(belief.air / FULL - 0.05) < 0.1


def test_stiff_windows_that_disagree_make_no_jump() -> None:
    belief = after(settled(), [window(0.7 * FULL, 10.1), window(2.5 * FULL, 10.2), window(0.7 * FULL, 10.3)])
    assert belief.jumps == ()


def test_softer_windows_need_more_witnesses_than_stiffer_ones() -> None:
    """Dribbling taps and passing valves make a line look softer; nothing makes it look stiffer."""
    two = [window(3.0 * FULL, 10.1), window(3.0 * FULL, 10.3)]
    assert after(settled(), two).jumps == ()


def test_a_window_older_than_the_belief_does_not_turn_back_time() -> None:
    before = settled()
    assert see(before, window(FULL, 3.0), PLANT).time == before.time


def test_beliefs_are_not_changed_in_place() -> None:
    before = settled()
    mean, covariance = before.mean.copy(), before.covariance.copy()
    after(before, [window(0.05 * FULL, 10.1), window(0.05 * FULL, 10.3), window(FULL, 10.4)])
    visited(before, visit(10.5, "refilled"), PLANT)
    predict(before, START + 20.0 * DAY)
    np.testing.assert_array_equal(before.mean, mean)
    np.testing.assert_array_equal(before.covariance, covariance)


@given(st.floats(0.01, 200.0), st.floats(0.01, 0.99))
@settings(max_examples=50)
def test_predict_composes(days: float, part: float) -> None:
    """To day 30 at once, or by way of any day: means the same; what doubt of the rate adds meanwhile may differ."""
    belief = settled()
    belief = replace(belief, mean=belief.mean + -0.02 * np.eye(STATES)[RATE])
    once = predict(belief, belief.time + days * DAY)
    twice = predict(predict(belief, belief.time + part * days * DAY), belief.time + days * DAY)
    np.testing.assert_allclose(twice.mean, once.mean, rtol=1e-9)
    assert twice.time == once.time
    assert sound(once)
    assert once.air_sd > belief.air_sd
    assert once.mean[REFERENCE] == belief.mean[REFERENCE]


def test_predict_never_goes_back() -> None:
    belief = settled()
    assert predict(belief, belief.time) is belief
    assert predict(belief, belief.time - DAY) is belief


courses = st.lists(
    st.tuples(st.floats(0.02, 5.0), st.floats(0.02, 0.4), st.sampled_from(list(Kind)), st.floats(0.01, 3.0)),
    max_size=40,
)


@given(courses, st.sampled_from(["gauged", "refilled", "replaced", "none"]), st.floats(0.0, 1e6))
@settings(max_examples=100)
def test_any_course_leaves_a_sound_belief(
    course: list[tuple[float, float, Kind, float]], action: str, precharge: float
) -> None:
    """A covariance that is one, finite numbers, air never below what can be told from none."""
    belief, at = first_belief(PLANT, START), 0.0
    for number, (share, sd, kind, step) in enumerate(course):
        at += step
        belief = see(belief, window(share * FULL, at, sd=sd, kind=kind), PLANT)
        if number == len(course) // 2 and action != "none":
            belief = visited(belief, visit(at, action, precharge), PLANT)
        assert sound(belief)
        assert belief.air > 0.0
        assert math.isfinite(belief.air_quantile(3.0))


def test_probabilities_are_those_of_the_normal_distribution() -> None:
    """Quantiles of the normal distribution: 1.6449 leaves 5 % above it, 1.2816 10 %."""
    assert normal_cdf(1.6449) == pytest.approx(0.95, abs=1e-5)
    assert normal_cdf(-1.2816) == pytest.approx(0.10, abs=1e-5)
    belief = settled()
    assert belief.probability_below(belief.air) == pytest.approx(0.5)
    assert belief.probability_below(belief.air_quantile(1.6449)) == pytest.approx(0.95, abs=1e-5)


def test_a_steady_loss_is_seen_as_a_rate() -> None:
    """1 % of the air a day for forty days: ln 0.99 = -0.01005 a day, to twice its own doubt."""
    days = np.arange(0.2, 40.0, 0.2)
    belief = visited(first_belief(PLANT, START), visit(0.0, "gauged"), PLANT)
    belief = after(belief, [window(FULL * 0.99**at, float(at)) for at in days])
    rate, sd = belief.rate()
    assert rate == pytest.approx(-0.01005, abs=2.0 * sd)
    assert rate + 2.0 * sd < 0.0  # told from no loss at all
    change, change_sd = belief.change_since_reference()
    assert change == pytest.approx(40.0 * math.log(0.99), abs=2.0 * change_sd)
    assert belief.mean[AIR] - belief.mean[REFERENCE] == change
    assert belief.mean[RATE] == rate
