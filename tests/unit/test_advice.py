"""The decision table: every row by an example, every situation under one row, and situations read from a site."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.diagnosis.advice import NONE, Advice, Age, Charge, Look, Situation, Watch, every_situation
from monitor.diagnosis.advice_table import TABLE, advise
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.diagnosis.situation import charge_beside, situation
from monitor.service.followup import advice_of, followed, followed_finding
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction

DAY = 86_400.0
NOW = 1_772_546_400.0
HOME = Site("home", unit="kPa", supply=400e3)
LOW, LOST, HIGH = Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST, Fault.AIR_CHARGE_HIGH
YES, NO, UNKNOWN = Look.YES, Look.NO, Look.UNKNOWN


def case(
    fault: Fault | None = None,
    water: Look = UNKNOWN,
    charge: Charge = Charge.UNKNOWN,
    watch: Watch = Watch.NONE,
    leak: Look = UNKNOWN,
    age: Age = Age.YEAR,
) -> Situation:
    return Situation(NONE if fault is None else fault, water, charge, watch, leak, age)


EXAMPLES = [
    (case(Fault.RELIEF_DISCHARGING, YES), Advice.CALL),
    (case(LOST, YES), Advice.REPLACE),
    (case(Fault.PRESSURE_SENSOR_FAULT, NO, watch=Watch.FALLEN), Advice.SENSOR),
    (case(Fault.HEATER_STATE_FAULT), Advice.SENSOR),
    (case(Fault.BLIND, watch=Watch.HELD), Advice.SENSOR),
    (case(Fault.CHECK_VALVE_PASSING), Advice.CHECK_VALVE),
    (case(Fault.WATER_LOSS, leak=NO), Advice.LEAK),
    (case(Fault.SUPPLY_PRESSURE_HIGH), Advice.REGULATOR),
    (case(Fault.REGULATOR_CREEP, watch=Watch.FALLEN), Advice.REGULATOR),
    (case(Fault.TANK_UNDERSIZED, charge=Charge.RIGHT, watch=Watch.HELD), Advice.LARGER),
    (case(HIGH, charge=Charge.RIGHT, watch=Watch.RUNNING, age=Age.WEEK), Advice.WAIT),
    (case(HIGH, charge=Charge.ABOVE, watch=Watch.RUNNING, age=Age.WEEK), Advice.RELEASE),
    (case(HIGH), Advice.RELEASE),
    (case(LOW, watch=Watch.FALLEN, leak=YES, charge=Charge.RIGHT, age=Age.WEEK), Advice.LEAK),
    (case(LOST, NO, watch=Watch.FALLEN, leak=NO, charge=Charge.RIGHT, age=Age.WEEK), Advice.REPLACE),
    (case(LOW, charge=Charge.RIGHT, watch=Watch.RUNNING, age=Age.WEEK), Advice.WAIT),
    (case(LOW, charge=Charge.BELOW, watch=Watch.RUNNING, age=Age.WEEK), Advice.REFILL),
    (case(LOW, age=Age.NEVER), Advice.REFILL),
    (case(LOST, NO, Charge.BELOW, Watch.RUNNING, age=Age.WEEK), Advice.REFILL),
    (case(LOST, NO), Advice.REFILL),
    (case(LOST, UNKNOWN, Charge.BELOW, Watch.RUNNING, age=Age.WEEK), Advice.GAUGE),
    (case(LOST, age=Age.NEVER), Advice.GAUGE),
    (case(leak=YES, charge=Charge.RIGHT, watch=Watch.HELD), Advice.LEAK),
    (case(charge=Charge.BELOW, watch=Watch.HELD), Advice.REFILL),
    (case(charge=Charge.ABOVE, leak=NO), Advice.RELEASE),
    (case(charge=Charge.RIGHT, watch=Watch.RUNNING, age=Age.WEEK), Advice.WAIT),
    (case(charge=Charge.RIGHT, watch=Watch.UNPROVABLE), Advice.GAUGE),
    (case(charge=Charge.RIGHT, watch=Watch.HELD), Advice.NOTHING),
    (case(charge=Charge.RIGHT), Advice.NOTHING),
    (case(charge=Charge.RIGHT, watch=Watch.HELD, age=Age.LONGER), Advice.GAUGE),
    (case(age=Age.NEVER), Advice.GAUGE),
]
"""One for each row, in the order of the table."""


@pytest.mark.parametrize("number", range(len(TABLE)))
def test_each_row_has_its_example(number: int) -> None:
    assert len(EXAMPLES) == len(TABLE)
    row, (here, advice) = TABLE[number], EXAMPLES[number]
    assert row.fits(here)
    assert row.advice is advice
    assert advise(here) is row


def test_each_situation_falls_under_exactly_one_row() -> None:
    situations = every_situation()
    assert len(situations) == 13 * 3 * 4 * 5 * 3 * 4
    assert [one for one in situations if sum(row.fits(one) for row in TABLE) != 1] == []


def test_no_row_and_no_advice_is_there_for_nothing() -> None:
    reached = {id(advise(one)) for one in every_situation()}
    assert reached == {id(row) for row in TABLE}
    assert {row.advice for row in TABLE} == set(Advice)


@pytest.mark.parametrize("here", [one for one in every_situation() if one.water is YES][::97])
def test_water_at_the_valve_never_ends_in_a_refill(here: Situation) -> None:
    assert advise(here).advice in {Advice.REPLACE, Advice.CALL}


def test_the_words_hold_no_advice_to_plug_or_to_pump_a_torn_tank() -> None:
    for row in TABLE:
        assert row.do.endswith(".")
        assert row.why.endswith(".")
        assert "plug" not in row.do.lower() or "never plug" in row.do.lower()


# ---- situations of a site


def report(*findings: Finding, charge: tuple[ChargeEstimate, ...] = ()) -> Report:
    return Report(
        "home", NOW - 30 * DAY, NOW, 1, Verdict.DOUBTFUL, "", charge, None, 400.0, findings, (), None, None, 9
    )


def finding(fault: Fault, severity: Severity = Severity.MEDIUM, raised: float = NOW - DAY) -> Finding:
    return Finding(fault, raised, raised, severity, 0.99, "seen", "usual action", "", {})


def visit(days_ago: float, action: str = "refilled", left: float | None = 400e3, **more: object) -> Visit:
    return Visit(NOW - days_ago * DAY, VisitAction(action), left, **more)  # type: ignore[arg-type]


def fell(days: float) -> tuple[ChargeEstimate, ...]:
    """Return estimates of a charge that was 400 and has been 300 kPa for ``days``."""
    return tuple(
        ChargeEstimate(NOW - n * DAY / 4, 300.0 if n / 4 <= days else 400.0, 290.0 if n / 4 <= days else 390.0,
                       310.0 if n / 4 <= days else 410.0, 100 - n)
        for n in range(24, -1, -1)
    )  # fmt: skip


def test_nobody_there_and_nothing_wrong() -> None:
    assert situation(HOME, [], report(), NOW) == case(age=Age.NEVER)


def test_what_the_visits_told_is_read() -> None:
    here = situation(HOME, [visit(3, water_at_valve=False, leak="joint")], report(), NOW)
    assert here == case(None, NO, Charge.RIGHT, Watch.RUNNING, YES, Age.WEEK)
    assert situation(HOME, [visit(100)], report(), NOW).age is Age.YEAR
    assert situation(HOME, [visit(400)], report(), NOW).age is Age.LONGER
    assert situation(HOME, [visit(-1)], report(), NOW).age is Age.NEVER


def test_a_leak_that_was_mended_is_told_by_the_next_look() -> None:
    book = [visit(9, leak="joint"), visit(2, "looked", None, leak="")]
    here = situation(HOME, book, report(), NOW)
    assert (here.leak, here.charge, here.age) == (NO, Charge.RIGHT, Age.WEEK)


def test_water_in_the_old_tank_says_nothing_of_the_new_one() -> None:
    torn = visit(9, "gauged", 0.0, water_at_valve=True)
    assert situation(HOME, [torn], report(), NOW).water is YES
    assert situation(HOME, [torn, visit(8, "replaced")], report(), NOW).water is UNKNOWN
    assert situation(HOME, [visit(8, "replaced", water_at_valve=True)], report(), NOW).water is UNKNOWN


@pytest.mark.parametrize(
    ("charge", "expected"),
    [
        (400e3, Charge.RIGHT),
        (361e3, Charge.RIGHT),
        (359e3, Charge.BELOW),
        (441e3, Charge.ABOVE),
        (0.0, Charge.BELOW),
    ],
)
def test_a_charge_beside_the_line(charge: float, expected: Charge) -> None:
    assert charge_beside(charge, 400e3) is expected
    assert situation(HOME, [visit(1, left=charge)], report(), NOW).charge is expected


def test_the_gauge_of_the_visit_goes_before_the_site_file_but_not_at_a_loop() -> None:
    book = [visit(1, left=300e3, supply=300e3)]
    assert situation(HOME, book, report(), NOW).charge is Charge.RIGHT
    loop = Site("loop", heater=Heater(HeaterKind.LOOP), precharge=100e3, supply=150e3)
    assert situation(loop, [visit(1, left=100e3, supply=300e3)], report(), NOW).charge is Charge.RIGHT


def test_the_fault_that_comes_first_decides() -> None:
    both = report(finding(LOW), finding(Fault.RELIEF_DISCHARGING, Severity.LOW), finding(LOST, Severity.HIGH))
    assert situation(HOME, [], both, NOW).fault is Fault.RELIEF_DISCHARGING
    over = report(replace(finding(LOW), ended=NOW))
    assert situation(HOME, [], over, NOW).fault is NONE


# ---- the advice where a finding names its first action


def test_without_a_visit_a_finding_says_what_it_said() -> None:
    told = report(finding(LOW))
    assert followed(HOME, [], told, NOW) is told
    assert followed(HOME, [visit(100)], told, NOW) is told  # a refill is what it says anyway


def test_a_charge_that_fell_again_asks_for_another_tank() -> None:
    low = finding(LOW)
    told = report(low, charge=fell(2.0))
    (one,) = followed(HOME, [visit(5)], told, NOW).findings
    assert one.action.startswith("Replace the tank")
    assert "fell again" in one.action
    assert replace(one, action=low.action) == low
    assert advice_of(HOME, [visit(5)], told, NOW).advice is Advice.REPLACE


def test_a_charge_that_fell_is_told_before_it_has_come_to_its_limit() -> None:
    holding = replace(report(charge=fell(2.0)), verdict=Verdict.HOLDING, verdict_why="fine")
    told = followed(HOME, [visit(5)], holding, NOW)
    assert told.verdict is Verdict.DOUBTFUL
    assert "does not keep its air. Replace the tank" in told.verdict_why
    blind = replace(holding, verdict=Verdict.BLIND)
    assert followed(HOME, [visit(5)], blind, NOW) is blind
    assert followed(HOME, [visit(5)], replace(holding, air_charge=fell(-1.0)), NOW).verdict is Verdict.HOLDING


def test_a_finding_that_the_visit_has_just_answered_asks_to_wait() -> None:
    assert followed_finding(HOME, [visit(0.1)], report(), finding(LOW), NOW).action.startswith(
        "Leave it as it is"
    )


def test_faults_that_are_not_the_tanks_keep_their_action() -> None:
    creep = finding(Fault.REGULATOR_CREEP)
    assert followed_finding(HOME, [visit(0.1)], report(creep), creep, NOW) is creep
    over = replace(finding(LOW), ended=NOW)
    assert followed_finding(HOME, [visit(0.1)], report(over), over, NOW) is over
