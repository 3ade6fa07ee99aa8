"""The kept traces against the physics that made them, and the lottery of the bench."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.lottery import SCENARIOS, draw
from tests.plants.library import facts, library
from tests.plants.trace import Trace

# beta / (rho cp) [mL/J] at 0.6 MPa and 45, 55 degC: IAPWS R6-95 values, computed by CoolProp and by iapws.
PER_JOULE = {45: 422.67e-6 / (990.431 * 4179.0) * 1e6, 55: 491.06e-6 / (985.911 * 4181.8) * 1e6}
MADE = sorted(set(library()) - {"household_14d"})


def undrawn_runs(trace: Trace) -> list[tuple[int, int]]:
    """Return first and last step of burner runs without a draw from 60 min before to 15 min after."""
    edges = np.flatnonzero(np.diff(trace.burner, prepend=0.0, append=0.0))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(a, b) for a, b in runs if a > 360 and not trace.draw[a - 360 : b + 90].any()]


@pytest.mark.parametrize("name", MADE)
def test_growth_is_the_heat_that_goes_in(name: str) -> None:
    """4 %: the water is taken at one temperature, its layers differ by several kelvin."""
    trace, said = library()[name].load(), facts(name)
    heat, loss, lag = (float(said[key]) for key in ("heat", "loss", "lag"))
    warm = float(said["setpoint"]) - 0.5 * float(said["deadband"])
    per_joule = np.interp(warm, list(PER_JOULE), list(PER_JOULE.values()))
    runs = undrawn_runs(trace)
    shares = []
    for first, last in runs:
        end = last + int(8 * lag / trace.step)
        joules = heat * (last - first) * trace.step - loss * (warm - 20.0) * (end - first) * trace.step
        shares.append(trace.growth[first:end].sum() / (joules * per_joule))
    assert len(runs) >= 5
    assert np.median(shares) == pytest.approx(1.0, abs=0.04)


@pytest.mark.parametrize("name", sorted(library()))
def test_heater_stays_near_its_setpoint_and_cools_when_left(name: str) -> None:
    known, trace = library()[name], library()[name].load()
    idle = (trace.burner == 0.0) & (trace.draw == 0.0)
    assert np.median(trace.top) == pytest.approx(known.setpoint, abs=6.0)
    assert trace.growth[idle].mean() < 0.0
    assert 0.005 < trace.burner.mean() < 0.4


@pytest.mark.parametrize("name", MADE)
def test_water_in_the_heater_neither_gathers_nor_vanishes(name: str) -> None:
    """The content of a full heater varies by its growth from cold to hot, 1.5 %, and no more."""
    level = np.cumsum(library()[name].load().growth)
    assert np.ptp(level) < 0.015 * library()[name].volume * 1000.0


def test_lottery_is_repeatable_and_knows_every_scenario() -> None:
    seen = {draw(seed).scenario for seed in range(150)}
    assert seen == set(SCENARIOS)
    first, second = draw(7), draw(7)
    assert (first.case.site, first.case.sensor, first.case.fitting) == (
        second.case.site,
        second.case.sensor,
        second.case.fitting,
    )
