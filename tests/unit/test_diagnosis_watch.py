"""When a finding is raised, what it explains and when it has ended; beliefs are set by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.facts import Facts, facts_of
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.limits import limits_of
from monitor.diagnosis.relief import Discharge
from monitor.diagnosis.sight import Sight
from monitor.diagnosis.signs.sign import Opinion
from monitor.diagnosis.watch import Watch
from monitor.diagnosis.words import Speaker, action
from monitor.estimation.belief import AIR, DAY, REFERENCE, Belief, Jump, first_belief
from monitor.estimation.plant import plant_of
from monitor.estimation.windows import Kind, Window
from monitor.site import Heater, HeaterKind, Site

SIXTY = 413_685.0  # Pa: 60 psi
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
            tank_volume=8e-3, precharge=SIXTY, supply=SIXTY, relief=1034e3)  # fmt: skip
PLANT = plant_of(SITE)
FULL = PLANT.air_of(SIXTY)
START = 1.7e9


def believed(share: float, sd: float = 0.05, jumps: tuple[Jump, ...] = ()) -> Belief:
    """Return a belief that the share of the full air is left."""
    belief = first_belief(PLANT, START)
    mean = belief.mean.copy()
    mean[AIR] = mean[REFERENCE] = math.log(share * FULL)
    covariance = np.diag(np.array([sd, 0.005, 0.05, 0.5, sd]) ** 2)
    covariance[AIR, REFERENCE] = covariance[REFERENCE, AIR] = 0.9 * sd**2
    return replace(belief, mean=mean, covariance=covariance, windows=20, jumps=jumps)


def facts(belief: Belief) -> Facts:
    """Return the facts of a belief for a line that rests at 60 psi."""
    return facts_of(belief, limits_of(PLANT, SIXTY, belief.elastic), PLANT, SIXTY)


def weighed(at: float, kind: Kind = Kind.RISE) -> Window:
    """Return a window that ends at ``at`` days and fits a full cushion."""
    p1, p2 = SIXTY + 101_325.0, SIXTY + 101_325.0 + 50e3
    end = START + at * DAY
    return Window(kind, end - 600.0, end, p1, p2, FULL * (1.0 / p1 - 1.0 / p2), 0.05)


class Book:
    """A watch that is fed a burn with one window at a time."""

    def __init__(self) -> None:
        self.watch = Watch(SITE, PLANT)
        self.changed: list[Finding] = []

    def burns(self, first: float, count: int, share: float, *, sd: float = 0.05, kind: Kind = Kind.RISE,
              jumps: tuple[Jump, ...] = ()) -> list[Finding]:  # fmt: skip
        """Judge ``count`` burns, four a day from day ``first``; return what was raised or ended."""
        changed: list[Finding] = []
        belief = believed(share, sd, jumps)
        for number in range(count):
            at = first + number / 4.0
            changed += self.watch.judge(facts(belief), belief, [weighed(at, kind)], START + at * DAY)
            changed += self.watch.burn_passed(START + at * DAY)
        self.changed += changed
        return changed

    def relief(self, at: float, share: float) -> list[Finding]:
        """Take a discharge at day ``at``."""
        when = START + at * DAY
        return self.watch.discharge(Discharge(when - 300.0, 1.0e6, 2e-4), [], facts(believed(share)), when)

    def standing(self) -> list[Fault]:
        """Return the faults that stand."""
        return [one.fault for one in self.watch.findings if one.ended is None]


def test_a_full_cushion_raises_nothing() -> None:
    assert Book().burns(0.0, 40, 1.0) == []


def test_a_low_charge_is_raised_once_and_not_by_a_single_window() -> None:
    book = Book()
    assert book.burns(0.0, 1, 0.6) == []
    (finding,) = book.burns(0.25, 20, 0.6)
    assert finding.fault is Fault.AIR_CHARGE_LOW
    assert finding.confidence >= 0.95
    assert finding.began < finding.raised
    assert finding.began == pytest.approx(START - 600.0)


def test_a_suspicion_that_does_not_last_raises_nothing() -> None:
    book = Book()
    for day in range(10):
        book.burns(float(day), 1, 0.6)
        book.burns(day + 0.5, 1, 1.0)
    assert book.changed == []


@pytest.mark.parametrize("kind", [Kind.FLAT])
def test_windows_without_a_rise_count_for_nothing(kind: Kind) -> None:
    assert Book().burns(0.0, 40, 0.6, kind=kind) == []


def test_what_stands_does_not_flicker_at_its_limit() -> None:
    """Between the probability that raises and the one that clears, nothing is raised and nothing ends."""
    limit = limits_of(PLANT, SIXTY, PLANT.elastic).low / FULL
    book = Book()
    assert book.burns(0.0, 20, limit) == []  # fifty-fifty
    book.burns(5.0, 10, 0.8 * limit)
    assert book.standing() == [Fault.AIR_CHARGE_LOW]
    assert book.burns(10.0, 40, limit) == []
    assert book.standing() == [Fault.AIR_CHARGE_LOW]


def test_a_finding_ends_by_several_windows_that_contradict_it() -> None:
    book = Book()
    book.burns(0.0, 10, 0.6)
    assert book.burns(3.0, 1, 1.0) == []
    (ended,) = book.burns(3.25, 10, 1.0)
    assert ended.fault is Fault.AIR_CHARGE_LOW
    assert ended.ended is not None
    assert START + 3.25 * DAY <= ended.ended <= START + 5.0 * DAY
    assert book.standing() == []


def test_it_can_be_raised_again() -> None:
    book = Book()
    book.burns(0.0, 10, 0.6)
    book.burns(3.0, 10, 1.0)
    book.burns(6.0, 10, 0.6)
    assert [f.fault for f in book.watch.findings] == [Fault.AIR_CHARGE_LOW] * 2
    assert len({f.raised for f in book.watch.findings}) == 2


def test_a_lost_cushion_takes_the_place_of_a_low_charge() -> None:
    book = Book()
    book.burns(0.0, 10, 0.6)
    changed = book.burns(3.0, 10, 0.1)
    assert [(f.fault, f.ended is None) for f in changed] == [
        (Fault.AIR_CHARGE_LOW, False),
        (Fault.AIR_CUSHION_LOST, True),
    ]
    assert changed[0].ended == changed[1].raised
    assert book.standing() == [Fault.AIR_CUSHION_LOST]
    assert changed[1].severity is Severity.HIGH


def test_a_lost_cushion_is_not_called_low_as_well() -> None:
    book = Book()
    book.burns(0.0, 10, 0.1)
    assert book.burns(3.0, 20, 0.5) == []
    assert book.standing() == [Fault.AIR_CUSHION_LOST]


def test_a_jump_says_when_it_began() -> None:
    """The reference is of the time before the jump."""
    jump = Jump(START + 4.9 * DAY, START + 5.0 * DAY, 0.05)
    (finding,) = Book().burns(5.25, 4, 0.1, jumps=(jump,))
    assert finding.began == START + 5.0 * DAY
    assert "suddenly" in finding.why


def test_both_readings_of_a_stiff_line_are_named() -> None:
    """Waterlogged and torn look alike from the pipe."""
    (finding,) = Book().burns(0.0, 4, 0.1)
    assert "waterlogged" in finding.why
    assert "torn" in finding.why
    assert "air valve" in finding.why


def both_facts(finding: Finding) -> None:
    """One finding says that the cushion is lost and that the relief valve discharges."""
    assert finding.fault is Fault.AIR_CUSHION_LOST
    assert finding.evidence["relief_discharging_since"] is not None
    assert finding.evidence["relief_discharging_kpa"] == 1000.0
    assert "never plug or cap" in finding.why


def test_a_discharge_with_a_lost_cushion_is_one_finding() -> None:
    book = Book()
    book.burns(0.0, 4, 0.1)
    amended = book.relief(2.0, 0.1)
    assert book.relief(2.1, 0.1) == []
    (finding,) = book.watch.findings
    assert amended == [finding]  # told once, as the same finding
    both_facts(finding)
    assert finding.why.count("never plug or cap") == 1


def test_a_discharge_before_the_cushion_is_known_to_be_lost_becomes_part_of_it() -> None:
    book = Book()
    (alone,) = book.relief(0.0, 1.0)
    assert alone.fault is Fault.RELIEF_DISCHARGING
    assert alone.severity is Severity.HIGH
    changed = book.burns(0.25, 4, 0.1)
    assert [f.fault for f in changed] == [Fault.RELIEF_DISCHARGING, Fault.AIR_CUSHION_LOST]
    assert changed[0].ended == changed[1].raised
    both_facts(changed[1])
    assert book.standing() == [Fault.AIR_CUSHION_LOST]


def test_a_discharge_that_finds_the_cushion_lost_says_both_at_once() -> None:
    (finding,) = Book().relief(1.0, 0.1)
    both_facts(finding)


def test_a_discharge_under_a_low_charge_says_what_explains_it() -> None:
    book = Book()
    book.burns(0.0, 10, 0.6)
    (finding,) = book.relief(3.0, 0.6)
    assert finding.fault is Fault.RELIEF_DISCHARGING
    assert finding.evidence["explained_by"] == "air_charge_low"


def test_a_discharge_ends_after_a_day_of_quiet_burns_and_not_before() -> None:
    book = Book()
    book.relief(0.0, 1.0)
    assert book.burns(0.25, 3, 1.0) == []
    (ended,) = book.burns(1.25, 4, 1.0)
    assert ended.fault is Fault.RELIEF_DISCHARGING
    assert ended.ended is not None
    assert ended.ended >= START + DAY


def test_a_visit_starts_the_count_anew() -> None:
    book = Book()
    needed = 0
    while not book.burns(needed / 4.0, 1, 0.6):
        needed += 1
    again = Book()
    again.burns(0.0, needed, 0.6)
    again.watch.visit()
    assert again.burns(needed / 4.0, 1, 0.6) == []


def test_a_silence_is_told_after_a_day_and_ends_with_the_next_reading() -> None:
    watch = Watch(SITE, PLANT)
    assert watch.silence(START, START + 0.9 * DAY) == []
    (finding,) = watch.silence(START, START + 3.0 * DAY)
    assert finding.fault is Fault.BLIND
    assert (finding.began, finding.raised) == (START, START + DAY)
    assert watch.silence(START, START + 4.0 * DAY) == []
    (ended,) = watch.heard(START + 5.0 * DAY)
    assert ended.ended == START + 5.0 * DAY
    assert watch.heard(START + 5.1 * DAY) == []


def test_blindness_for_want_of_evidence_is_told_after_a_day_and_ends_with_evidence() -> None:
    watch, sight = Watch(SITE, PLANT), Sight()
    sight.since, sight.why = START, "no burn was long enough"
    assert watch.sight(sight, START + 0.9 * DAY) == []
    (finding,) = watch.sight(sight, START + 1.1 * DAY)
    assert finding.fault is Fault.BLIND
    assert "no burn was long enough" in finding.why
    assert watch.sight(sight, START + 2.0 * DAY) == []
    sight.since = None
    (ended,) = watch.sight(sight, START + 2.5 * DAY)
    assert ended.ended == START + 2.5 * DAY


def test_a_low_charge_that_nears_the_relief_valve_is_told_once_more() -> None:
    """The same finding with a higher priority: a third of the air is some 10 psi at the gauge, still a cushion."""
    book = Book()
    (raised,) = book.burns(0.0, 8, 0.6)
    assert raised.severity is Severity.MEDIUM
    (worse,) = book.burns(3.0, 8, 0.33)
    assert (worse.fault, worse.began, worse.raised) == (raised.fault, raised.began, raised.raised)
    assert worse.severity is Severity.HIGH
    assert worse.evidence["near_relief_since"] == START + 3.5 * DAY  # the third window
    assert book.watch.findings == [worse]


@pytest.mark.parametrize("fault", [Fault.REGULATOR_CREEP, Fault.AIR_CHARGE_HIGH])
def test_a_line_that_may_be_steep_for_another_reason_is_not_called_low_yet(fault: Fault) -> None:
    book = Book()
    suspected = Opinion(fault, 0.6, START, Severity.MEDIUM, "")
    assert book.watch.consider([suspected], facts(believed(0.4)), START) == []
    assert book.burns(1.0, 6, 0.4) == []
    book.watch.consider([replace(suspected, probability=0.01)], facts(believed(0.4)), START)
    book.burns(3.0, 3, 0.4)
    assert book.standing() == [Fault.AIR_CHARGE_LOW]


@pytest.mark.parametrize(
    ("site", "words"),
    [
        (SITE, "the supply pressure at the tank (60 psi by the site file)"),
        (
            replace(SITE, supply=None),
            "the supply pressure at the tank (60 psi where the line rests now: gauge it)",
        ),
        (
            replace(SITE, heater=replace(SITE.heater, kind=HeaterKind.LOOP), supply=None, precharge=None),
            "the charge that its system needs (60 psi by how the loop is filled now: ask who designed it)",
        ),
    ],
)
def test_what_to_refill_to_says_where_the_figure_is_from(site: Site, words: str) -> None:
    for fault in (Fault.AIR_CHARGE_LOW, Fault.AIR_CUSHION_LOST):
        assert words in action(fault, Speaker(site), SIXTY)
