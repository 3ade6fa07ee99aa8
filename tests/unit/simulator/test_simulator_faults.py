"""The prescribed air charge, and draws."""

import numpy as np
import pytest

from simulator.draws import DAY, events_of_day, superpose
from simulator.faults import AirHistory, Fault, Kind
from simulator.spec import DrawSpec

ATM = 101325.0


def charge(day: float, *faults: Fault, seep: float = 0.0) -> float:
    """Return the charge in kPa gauge on a day of a tank that began with 400."""
    return float(AirHistory(400e3, ATM, seep, faults).at(np.array([day * DAY]))[0]) / 1e3


def test_a_sound_tank_keeps_its_charge_but_for_a_little() -> None:
    assert charge(100.0, seep=30.0) == pytest.approx(397.0)


def test_a_loss_is_a_share_of_the_gauge_charge_per_day() -> None:
    assert charge(15.0, Fault(Kind.LOSS, 5.0, 0.03)) == pytest.approx(400.0 * np.exp(-0.3))


def test_a_leak_is_constant_and_ends_at_no_gauge_charge() -> None:
    leak = Fault(Kind.LEAK, 5.0, 10e3)
    assert charge(15.0, leak) == pytest.approx(300.0)
    assert charge(100.0, leak) == 0.0


def test_seeping_air_goes_on_below_one_atmosphere() -> None:
    seep = Fault(Kind.SEEP, 0.0, 0.1)
    assert charge(10.0, seep) == pytest.approx((400.0 + 101.325) * np.exp(-1.0) - 101.325)
    assert charge(1000.0, seep) == pytest.approx(2.5 - 101.325)


def test_a_torn_diaphragm_loses_all_within_hours() -> None:
    tear = Fault(Kind.TEAR, 20.0, 2.0)
    assert charge(20.0, tear) == pytest.approx(400.0)
    assert charge(21.0, tear) == pytest.approx(2.5 - 101.325, abs=0.01)


def test_a_refilled_leaky_tank_leaks_on_and_a_new_one_does_not() -> None:
    """The pump has done its work 25 min after the visit began: 0.0174 days."""
    leak = Fault(Kind.LEAK, 5.0, 10e3)
    ready = 15.0 + 1500.0 / DAY
    assert charge(ready + 10.0, leak, Fault(Kind.REFILL, 15.0, 400e3)) == pytest.approx(300.0)
    assert charge(ready + 10.0, leak, Fault(Kind.REPLACE, 15.0, 400e3)) == pytest.approx(400.0)


def test_pumping_up_takes_a_while() -> None:
    """Ten minutes until the line is relieved, then a quarter of an hour at the pump."""
    faults = (Fault(Kind.WATERLOGGED, 0.0), Fault(Kind.REPLACE, 1.0, 300e3))
    drowned = 2.5 - 101.325
    assert charge(1.0 + 300.0 / DAY, *faults) == pytest.approx(drowned)
    assert charge(1.0 + 1050.0 / DAY, *faults) == pytest.approx((drowned + 300.0) / 2)
    assert charge(1.0 + 1600.0 / DAY, *faults) == pytest.approx(300.0)


def test_overlapping_draws_add_up() -> None:
    events = np.array([[10.0, 20.0, 1.0, 0.0], [20.0, 20.0, 2.0, 0.5]])
    draws = superpose(events, 0.0, DAY)
    assert draws.time.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert draws.hot.tolist() == [0.0, 1.0, 3.0, 2.0, 0.0]
    assert draws.cold.tolist() == [0.0, 0.0, 0.5, 0.5, 0.0]


def test_nobody_draws_during_a_visit() -> None:
    draws = superpose(np.array([[10.0, 100.0, 1.0, 0.0]]), 0.0, DAY, [(10.0, 50.0)])
    flow = draws.hot[np.searchsorted(draws.time, [20.0, 105.0], side="right") - 1]
    assert flow.tolist() == [0.0, 1.0]


def test_a_draw_goes_on_after_a_visit() -> None:
    """The tap is still open when the water comes back."""
    draws = superpose(np.array([[10.0, 100.0, 1.0, 0.0]]), 0.0, DAY, [(10.0, 50.0)])
    flow = draws.hot[np.searchsorted(draws.time, [60.0], side="right") - 1]
    assert flow.tolist() == [1.0]


def test_a_household_uses_what_households_use() -> None:
    """Three people over 200 days: 30 to 60 L hot, 60 to 120 L in all per person and day; nights are quiet."""
    rng = np.random.default_rng(5)
    days = [events_of_day(DrawSpec(people=3.0), rng, k * DAY, 0.0) for k in range(200)]
    events = np.concatenate(days)
    hot, cold = (events[:, 1] @ events[:, 2:]) * 1e3 / 200 / 3
    assert 30.0 < hot < 60.0
    assert 60.0 < hot + cold < 120.0
    hours = (events[:, 0] % DAY) // 3600
    assert (hours < 5).mean() < 0.05


def test_draws_follow_local_time() -> None:
    """With a clock that shows 12:00 at the start of the run, the quiet night is 12 to 17 h later."""
    events = events_of_day(DrawSpec(people=300.0), np.random.default_rng(5), 0.0, 0.5 * DAY)
    hours = events[:, 0] // 3600
    assert ((hours >= 12) & (hours < 17)).mean() < 0.05
    assert ((events[:, 0] >= 0.0) & (events[:, 0] < DAY)).all()


def test_holidays_are_dry() -> None:
    spec = DrawSpec(holidays=((1.0, 2.0),))
    rng = np.random.default_rng(1)
    assert len(events_of_day(spec, rng, 0.0, 0.0))
    assert not len(events_of_day(spec, rng, DAY, 0.0))


def test_a_list_of_draws_is_taken_as_it_is() -> None:
    spec = DrawSpec(kind="list", events=((100.0, 60.0, 1e-4, 0.0), (DAY + 5.0, 10.0, 0.0, 1e-4)))
    assert events_of_day(spec, np.random.default_rng(1), DAY, 0.0).tolist() == [[DAY + 5.0, 10.0, 0.0, 1e-4]]
