"""The watch of a visit: on invented estimates, and on plants with the real analyser."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import BlindSpan, ChargeEstimate, Report, Verdict
from monitor.diagnosis.watchweek import DAY, WEEK, Reason, Watched, WatchState, last_watch, watches
from monitor.diagnosis.watchweek_words import headline, missing, sentence
from monitor.diagnosis.words import Speaker
from monitor.estimation.samples import FloatArray, Samples
from monitor.service.analyser import Analyser
from monitor.service.settings.sitefile import SiteTable
from monitor.site import Site, Visit, VisitAction
from tests.plants.cases import PSI, SIXTY, Case, cases, jumping, losing
from tests.plants.write import START, plant, site_text

SITE = Site("home", unit="kPa")
THEN = 1_767_614_400.0
LEFT = 400.0
REFILL = Visit(THEN, VisitAction.REFILLED, LEFT * 1000.0)


def estimates(
    kpa: Callable[[float], float], *, half: float = 25.0, each: int = 3, days: float = 8.0
) -> list[ChargeEstimate]:
    """Return one estimate each quarter of a day; ``kpa`` over days since the visit, ``each`` weighings between two."""
    return [
        ChargeEstimate(THEN + n * DAY / 4, kpa(n / 4), kpa(n / 4) - half, kpa(n / 4) + half, 50 + each * n)
        for n in range(-8, int(days * 4) + 1)
    ]


def report(
    series: list[ChargeEstimate], findings: tuple[Finding, ...] = (), blind: tuple[BlindSpan, ...] = ()
) -> Report:
    return Report(
        "home", THEN - 9 * DAY, THEN + 8 * DAY, 1, Verdict.DOUBTFUL, "", tuple(series), None, 400.0, findings, blind,
        None, None, 100,
    )  # fmt: skip


def finding(fault: Fault, raised: float, ended: float | None = None) -> Finding:
    return Finding(fault, raised - DAY, raised, Severity.MEDIUM, 0.99, "", "", "", {}, ended)


def at(day: float, told: Report, *more: Visit) -> Watched:
    """Return the watch of the refill at a day after it."""
    return watches(SITE, [REFILL, *more], told, THEN + day * DAY)[0]


STEADY = report(estimates(lambda day: 399.0))


def test_it_runs_for_a_week_and_is_held_at_its_end_only() -> None:
    third = at(2.5, STEADY)
    assert (third.state, third.day, third.days, third.decided) == (WatchState.RUNNING, 3, 7, None)
    assert third.windows == 27  # nine quarters of a day since the first estimate after the visit
    assert third.enough
    assert at(6.99, STEADY).state is WatchState.RUNNING
    held = at(7.0, STEADY)
    assert (held.state, held.reason, held.decided) == (WatchState.HELD, Reason.KEPT, THEN + WEEK)
    assert held.newest is not None
    assert held.newest.time == THEN + WEEK
    assert at(400.0, STEADY) == held


def test_a_fall_is_told_by_the_second_estimate_that_is_certain_of_it() -> None:
    told = report(estimates(lambda day: 400.0 - 20.0 * max(day - 1.0, 0.0)))
    # Below 400 - 12 with the end of its 98 % interval, 35.4 above: from 352.6 on, which is after 3.37 days.
    first = next(day / 4 for day in range(32) if at(day / 4, told).state is WatchState.FALLEN)
    assert first == 3.75
    assert at(7.0, told).decided == THEN + 3.75 * DAY
    assert at(30.0, told).state is WatchState.FALLEN


def test_one_certain_estimate_is_enough_where_the_analysis_says_so_too() -> None:
    series = estimates(lambda day: 400.0 if day < 2.0 else 300.0)
    low = finding(Fault.AIR_CHARGE_LOW, THEN + 1.9 * DAY)
    assert at(2.0, report(series)).state is WatchState.RUNNING
    assert at(2.0, report(series, (low,))).state is WatchState.FALLEN
    before = replace(low, raised=THEN - DAY)  # it called the visit
    assert at(2.0, report(series, (before,))).state is WatchState.RUNNING


@pytest.mark.parametrize("fault", [Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST])
def test_a_low_charge_that_was_left_so_is_no_fall_and_no_repair(fault: Fault) -> None:
    low = finding(fault, THEN + DAY)
    one = at(7.0, report(estimates(lambda day: 398.0), (low,)))
    assert (one.state, one.reason) == (WatchState.UNPROVABLE, Reason.TOO_LITTLE)
    over = replace(low, ended=THEN + 2 * DAY)
    assert at(7.0, report(estimates(lambda day: 398.0), (over,))).state is WatchState.HELD


@pytest.mark.parametrize("left", [0.0, 3.5, 30.0])
def test_a_tank_that_was_left_without_air_is_never_called_held(left: float) -> None:
    """An honest visitor at a torn tank notes what the gauge shows: nothing."""
    empty = Visit(THEN, VisitAction.REFILLED, precharge=left * 1000.0, supply=4e5)
    told = report(estimates(lambda day: left, half=0.2))
    (one,) = watches(SITE, [empty], told, THEN + 8 * DAY)
    assert (one.state, one.reason) == (WatchState.UNPROVABLE, Reason.TOO_LITTLE)


@pytest.mark.parametrize(
    "fault", [Fault.PRESSURE_SENSOR_FAULT, Fault.REGULATOR_CREEP, Fault.CHECK_VALVE_PASSING]
)
def test_what_another_fault_explains_is_neither_a_fall_nor_a_proof(fault: Fault) -> None:
    falling = estimates(lambda day: 400.0 - 15.0 * day)
    stands = (finding(fault, THEN + DAY),)
    one = at(7.0, report(falling, stands))
    assert (one.state, one.reason, one.fault) == (WatchState.UNPROVABLE, Reason.EXPLAINED, fault)
    assert at(7.0, report(estimates(lambda day: 400.0), stands)).state is WatchState.UNPROVABLE
    over = (finding(fault, THEN + DAY, THEN + 2 * DAY),)
    assert at(7.0, report(falling, over)).state is WatchState.FALLEN
    assert at(7.0, report(estimates(lambda day: 400.0), over)).state is WatchState.HELD


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        (report([]), Reason.NO_ESTIMATE),
        (report([one for one in STEADY.air_charge if one.time < THEN + 5.9 * DAY]), Reason.NO_ESTIMATE),
        (report(estimates(lambda day: 399.0, each=0)), Reason.FEW_WINDOWS),
        (replace(STEADY, blind=(BlindSpan(THEN - DAY, THEN + 3.6 * DAY, "x"),)), Reason.BLIND),
        (
            replace(
                STEADY,
                blind=(BlindSpan(THEN, THEN + 3 * DAY, "x"), BlindSpan(THEN + DAY, THEN + 3.6 * DAY, "y")),
            ),
            Reason.BLIND,
        ),
        (report(estimates(lambda day: 399.0, half=60.0)), Reason.UNSURE),
        (report(estimates(lambda day: 400.0 - 3.4 * day)), Reason.UNSURE),
        (report(estimates(lambda day: 440.0)), Reason.UNSURE),  # the gauge says otherwise
    ],
)
def test_what_cannot_be_shown_is_never_called_held(told: Report, reason: Reason) -> None:
    one = at(7.0, told)
    assert (one.state, one.reason) == (WatchState.UNPROVABLE, reason)
    assert missing(one, Speaker(SITE))
    assert "nobody can say that it held" in sentence(one, Speaker(SITE))


def test_blind_spans_that_overlap_count_once() -> None:
    spans = (BlindSpan(THEN, THEN + 2 * DAY, "x"), BlindSpan(THEN + DAY, THEN + 3 * DAY, "y"))
    one = at(7.0, replace(STEADY, blind=spans))
    assert one.blind == 3 * DAY
    assert one.state is WatchState.HELD


def test_a_visit_without_the_charge_that_it_left_cannot_be_proved() -> None:
    bare = Visit(THEN, VisitAction.REPLACED)
    (one,) = watches(SITE, [bare], STEADY, THEN + 8 * DAY)
    assert (one.state, one.reason) == (WatchState.UNPROVABLE, Reason.NO_CHARGE)


def test_the_next_visit_ends_a_watch_and_its_gauge_may_tell_a_fall() -> None:
    again = Visit(THEN + 3 * DAY, VisitAction.GAUGED, 395e3)
    assert at(8.0, STEADY, again).state is WatchState.OVERTAKEN
    assert at(2.0, STEADY, again).state is WatchState.RUNNING
    one = at(8.0, STEADY, replace(again, precharge=380e3))
    assert (one.state, one.reason, one.found) == (WatchState.FALLEN, Reason.GAUGED_BELOW, 380.0)
    pumped = Visit(THEN + 3 * DAY, VisitAction.REFILLED, 400e3, found=380e3)
    assert at(8.0, STEADY, pumped).state is WatchState.FALLEN
    looked = Visit(THEN + 3 * DAY, VisitAction.LOOKED, leak="")
    assert at(8.0, STEADY, looked).state is WatchState.HELD
    assert at(8.0, STEADY, replace(again, time=THEN + 7 * DAY)).state is WatchState.HELD


def test_visits_to_come_and_those_that_only_looked_have_no_watch() -> None:
    looked = Visit(THEN + DAY, VisitAction.LOOKED, leak="")
    assert last_watch(SITE, [looked], STEADY, THEN + 2 * DAY) is None
    assert watches(SITE, [REFILL], STEADY, THEN - 1.0) == []


def test_each_state_has_words() -> None:
    told = Speaker(SITE)
    assert headline(at(2.5, STEADY)) == "Watch running, day 3 of 7"
    assert "enough to tell a loss so far" in sentence(at(2.5, STEADY), told)
    assert sentence(at(7.0, STEADY), told).startswith("The visit left 400 kPa; 7 days and 81 weighings later")
    fallen = at(7.0, report(estimates(lambda day: 400.0 - 20.0 * day)))
    assert "does not keep its air" in sentence(fallen, told)
    assert "nothing has been seen since" in sentence(at(1.0, report([])), told)


# ---- plants

DONE = 7.4 * DAY + 1200


def _then(course: Callable[[FloatArray], FloatArray]) -> Callable[[FloatArray], FloatArray]:
    return lambda time: np.where(time < DONE, 20 * PSI, course(time))


def _refill(name: str) -> Case:
    case = replace(cases()["refill_day7"], days=14.6)
    if name == "blind":
        return replace(case, sensor=replace(case.sensor, gaps=((7.6 * DAY, 20 * DAY),)))
    courses = {
        "loses 5 % a day": losing(SIXTY, 0.05, from_day=DONE / DAY),
        "loses 2.5 % a day": losing(SIXTY, 0.025, from_day=DONE / DAY),
        "loses 1 % a day": losing(SIXTY, 0.01, from_day=DONE / DAY),
        "tears after two days": jumping(SIXTY, 5 * PSI, DONE + 2 * DAY),
    }
    return replace(case, charge=_then(courses[name])) if name in courses else case


@cache
def _seen(name: str, seed: int) -> tuple[Site, tuple[Visit, ...], Report]:
    case = _refill(name)
    result = plant(case, seed)
    site = SiteTable.model_validate(tomllib.loads(site_text(case))).site()
    booked = case.visits[0]
    visit = Visit(
        START + booked.time, VisitAction(booked.action), booked.precharge * 1e3, booked.supply * 1e3, False
    )
    analyser = Analyser(site)
    analyser.visit(visit)
    analyser.feed(
        Samples(START + result["time"], result["pressure"], result["heater"], result["temperature"])
    )
    analyser.tick(START + case.days * DAY)
    return site, (visit,), analyser.report()


def _first(name: str, seed: int) -> tuple[float, WatchState]:
    """Return when, in days after the visit, its watch was decided, and how."""
    site, visits, told = _seen(name, seed)
    for hours in range(0, 7 * 24 + 1, 6):
        (one,) = watches(site, visits, told, visits[0].time + hours * 3600.0)
        if one.state is not WatchState.RUNNING:
            return hours / 24.0, one.state
    raise AssertionError("a watch that does not end")


@pytest.mark.parametrize("seed", [1, 5])
@pytest.mark.parametrize(
    ("name", "by", "state"),
    [
        ("holds", 7.0, WatchState.HELD),
        ("loses 5 % a day", 4.5, WatchState.FALLEN),
        ("loses 2.5 % a day", 6.5, WatchState.FALLEN),
        ("tears after two days", 3.0, WatchState.FALLEN),
        ("blind", 7.0, WatchState.UNPROVABLE),
    ],
)
def test_what_becomes_of_a_refill_is_told(name: str, seed: int, by: float, state: WatchState) -> None:
    when, found = _first(name, seed)
    assert found is state
    assert when <= by


@pytest.mark.parametrize("seed", [1, 5])
def test_a_loss_too_slow_for_a_week_is_not_called_held(seed: int) -> None:
    assert _first("loses 1 % a day", seed)[1] is not WatchState.HELD
