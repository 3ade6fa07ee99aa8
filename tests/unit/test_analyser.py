"""The analyser on small streams made by hand: what it takes, what it ignores, what it says meanwhile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.report import Verdict
from monitor.estimation.samples import Samples, empty, join
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from monitor.units import PSI

DAY = 86_400.0
START = 1_704_672_000.0  # 8 January 2024, midnight UTC
SIXTY = 60.0 * PSI
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
            tank_volume=8e-3, precharge=SIXTY, supply=SIXTY, relief=150.0 * PSI)  # fmt: skip


def quiet(first: float, last: float, step: float = 60.0) -> Samples:
    """Return rows of a line at rest from day ``first`` to ``last``, heater off."""
    time = START + np.arange(first * DAY, last * DAY, step)
    return Samples(time, np.full(len(time), SIXTY / 1e3), np.zeros(len(time)), np.full(len(time), np.nan))


def heated(days: float, share: float = 1.0) -> Samples:
    """Return days of six burns each, of 9 kW for twelve minutes, on what a share of a full cushion makes of it.

    1.17e-10 m3/J: IAPWS R6-95 at 53 degC, 479e-6 / (986.6 * 4182). Boyle's law, line of 0.4 mL/kPa; the
    next draw takes the growth away.
    """
    rows = quiet(0.0, days, 10.0)
    since = np.mod(rows.time - START, DAY / 6.0)
    on = (since >= 3000.0) & (since < 3720.0)
    grown = 9009.0 * 1.17e-10 * np.clip(since - 3000.0, 0.0, 720.0) * (since < 5000.0)
    p1 = SIXTY + 101_325.0
    air = share * p1 * 8e-3
    low, high = np.full(len(grown), p1), np.full(len(grown), 50.0 * p1)
    for _ in range(60):
        middle = 0.5 * (low + high)
        less = air * (1.0 / p1 - 1.0 / middle) + 0.4e-9 * (middle - p1) < grown
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return Samples(rows.time, (low - 101_325.0) / 1e3, on.astype(float), rows.temperature)


def gauged(charge: float = SIXTY, at: float = 0.0) -> Visit:
    """Return a visit that gauged the tank."""
    return Visit(START + at * DAY, VisitAction.GAUGED, charge, SIXTY)


def test_before_the_first_reading_there_is_nothing_to_say() -> None:
    analyser = Analyser(SITE)
    assert analyser.feed(empty()) == []
    assert analyser.tick(START) == []
    report = analyser.report()
    assert (report.samples, report.start, report.end, report.verdict) == (0, None, None, Verdict.LEARNING)
    assert report.air_charge == ()
    assert report.worst_case_peak_kpa is None


def test_a_full_cushion_that_answers_to_heat_is_holding() -> None:
    analyser = Analyser(SITE)
    analyser.visit(gauged())
    assert analyser.feed(heated(4.0)) == []
    report = analyser.report()
    assert report.verdict is Verdict.HOLDING
    assert report.air_charge[-1].low_kpa < SIXTY / 1e3 < report.air_charge[-1].high_kpa
    assert report.air_charge[-1].kpa * 1e3 == pytest.approx(SIXTY, abs=3.0 * PSI)
    assert report.supply_kpa == pytest.approx(SIXTY / 1e3, abs=2.0)


@pytest.mark.parametrize(("share", "fault"), [(0.5, Fault.AIR_CHARGE_LOW), (0.02, Fault.AIR_CUSHION_LOST)])
def test_what_is_left_of_a_cushion_decides_its_name(share: float, fault: Fault) -> None:
    """Half of the air (abs.) is 22 psi of charge; a fiftieth is nothing at the gauge. Known heat, gauged full."""
    analyser = Analyser(SITE)
    analyser.feed(heated(4.0, share))
    report = analyser.report()
    assert report.verdict is Verdict.FAULT
    assert [f.fault for f in report.findings if f.ended is None] == [fault]
    assert report.verdict_why.endswith(report.findings[-1].why)


def test_there_is_one_estimate_a_midnight_and_one_for_now() -> None:
    analyser = Analyser(SITE)
    rows = quiet(0.3, 3.7)
    analyser.feed(rows)
    times = [(c.time - START) / DAY for c in analyser.report().air_charge]
    assert times == pytest.approx([1.0, 2.0, 3.0, (rows.time[-1] - START) / DAY])


def test_midnights_within_a_silence_are_estimated_too() -> None:
    analyser = Analyser(SITE)
    analyser.feed(join(quiet(0.0, 1.5), quiet(4.5, 5.2)))
    times = [(c.time - START) / DAY for c in analyser.report().air_charge[:-1]]
    assert times == pytest.approx([1.0, 2.0, 3.0, 4.0, 5.0])


def test_rows_that_were_seen_or_are_older_are_ignored() -> None:
    """A broker that repeats itself changes nothing."""
    once, twice = Analyser(SITE), Analyser(SITE)
    rows = heated(1.0)
    once.feed(rows)
    twice.feed(rows.between(0, 5000))
    twice.feed(rows.between(2000, 5000))
    twice.feed(rows.between(0, 1))
    twice.feed(rows.between(4000, len(rows)))
    assert once.report() == twice.report()


def test_rows_without_a_pressure_are_no_rows() -> None:
    rows = quiet(0.0, 0.1)
    pressure = rows.pressure.copy()
    pressure[::3] = np.nan
    analyser = Analyser(SITE)
    analyser.feed(Samples(rows.time, pressure, rows.heater, rows.temperature))
    assert analyser.report().samples == int(np.isfinite(pressure).sum())


def test_a_report_changes_nothing() -> None:
    asked, silent = Analyser(SITE), Analyser(SITE)
    rows = heated(1.0)
    for first in range(0, len(rows), 700):
        asked.feed(rows.between(first, min(first + 700, len(rows))))
        asked.report()
    silent.feed(rows)
    assert asked.report() == silent.report()


def test_a_tick_tells_a_silence_once_and_the_next_reading_ends_it() -> None:
    analyser = Analyser(SITE)
    analyser.feed(quiet(0.0, 0.5))
    last = analyser.report().end
    assert last is not None
    assert analyser.tick(last + 0.9 * DAY) == []
    assert analyser.report().verdict is Verdict.BLIND
    (finding,) = analyser.tick(last + 1.1 * DAY)
    assert (finding.fault, finding.began, finding.raised) == (Fault.BLIND, last, last + DAY)
    assert analyser.tick(last + 2.0 * DAY) == []
    ended = [f for f in analyser.feed(quiet(3.0, 3.1)) if f.ended is not None]
    assert [(f.fault, f.ended) for f in ended] == [(Fault.BLIND, START + 3.0 * DAY)]


def test_a_silence_is_the_same_with_ticks_or_without() -> None:
    """A live service ticks, an offline log does not: same findings."""
    ticked, log = Analyser(SITE), Analyser(SITE)
    before, after = quiet(0.0, 0.5), quiet(3.0, 4.0)
    ticked.feed(before)
    for hour in range(13, 72):
        ticked.tick(START + hour * 3600.0)
    ticked.feed(after)
    log.feed(join(before, after))
    assert ticked.report().findings == log.report().findings
    assert ticked.report().blind == log.report().blind


def test_a_tick_back_in_time_says_nothing() -> None:
    analyser = Analyser(SITE)
    analyser.feed(quiet(0.0, 0.5))
    assert analyser.tick(START) == []


def test_a_site_whose_heater_is_not_read_is_blind_and_says_so() -> None:
    rows = quiet(0.0, 3.0)
    analyser = Analyser(SITE)
    found = analyser.feed(replace(rows, heater=np.full(len(rows), np.nan)))
    assert [f.fault for f in found] == [Fault.BLIND]
    report = analyser.report()
    assert report.verdict is Verdict.BLIND
    assert "heater's state is not reported" in report.verdict_why


def test_a_visit_that_is_told_late_counts_at_once() -> None:
    """The book is often written in the evening: 20 psi found at noon, told when later rows are in."""
    analyser = Analyser(SITE)
    analyser.feed(quiet(0.0, 0.9))
    analyser.visit(gauged(20.0 * PSI, at=0.5))
    assert analyser.report().air_charge[-1].kpa == pytest.approx(20.0 * PSI / 1e3, abs=2.0 * PSI / 1e3)


def test_a_visit_still_to_come_changes_nothing_before_its_time() -> None:
    told, untold = Analyser(SITE), Analyser(SITE)
    told.visit(gauged(20.0 * PSI, at=2.0))
    for analyser in (told, untold):
        analyser.feed(heated(1.0))
    assert told.report() == untold.report()


def test_a_refill_on_the_way_ends_what_was_low() -> None:
    low, full = heated(3.0, 0.5), heated(6.0)
    rows = join(low, full.between(len(low), len(full)))
    analyser = Analyser(SITE)
    analyser.visit(Visit(START + 3.0 * DAY, VisitAction.REFILLED, SIXTY, SIXTY))
    analyser.feed(rows)
    report = analyser.report()
    assert [f.fault for f in report.findings] == [Fault.AIR_CHARGE_LOW]
    ended = report.findings[0].ended
    assert ended is not None
    assert START + 3.0 * DAY < ended < START + 5.0 * DAY
    assert report.verdict is Verdict.HOLDING
