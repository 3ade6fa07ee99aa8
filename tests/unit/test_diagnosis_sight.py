"""Whether a site can be seen, and the one word for it: never "holding" without fresh evidence."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.diagnosis.accounts import blind, cushion_lost, low_charge
from monitor.diagnosis.facts import Facts, facts_of
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.limits import limits_of
from monitor.diagnosis.report import Verdict
from monitor.diagnosis.sight import EVIDENCE_LASTS, GAP, LEARNING_LASTS, Sight
from monitor.diagnosis.verdict import verdict_of
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import AIR, DAY, REFERENCE, first_belief
from monitor.estimation.burns import Burn
from monitor.estimation.plant import plant_of
from monitor.estimation.response import Response
from monitor.estimation.samples import Samples
from monitor.estimation.windows import Kind, Window
from monitor.site import Heater, HeaterKind, Site

SIXTY = 413_685.0  # Pa: 60 psi
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
            tank_volume=8e-3, precharge=SIXTY, supply=SIXTY, relief=1034e3)  # fmt: skip
PLANT = plant_of(SITE)
SPEAKER = Speaker(SITE)
START = 1.7e9
HOUR = 3600.0


def window(at: float, kind: Kind = Kind.RISE, *, undisturbed: bool = False) -> Window:
    """Return a window that ends ``at`` seconds after the start."""
    return Window(kind, START + at - 300.0, START + at, 515e3, 560e3, 2e-4, 0.05, undisturbed)


def watched(hours: float = 48.0, every: float = 8.0, *, heater: float = 0.0) -> Sight:
    """Return what was seen: a burn with a clean window every few hours."""
    sight = Sight()
    time = START + np.arange(0.0, hours * HOUR, 600.0)
    sight.rows(
        Samples(time, np.full(len(time), 414.0), np.full(len(time), heater), np.full(len(time), np.nan))
    )
    for at in np.arange(every, hours + 0.1, every) * HOUR:
        sight.burn([window(float(at))], START + float(at), ended=True)
    answer(sight.response, hours)
    return sight


def answer(response: Response, hours: float) -> None:
    """Let a line rise by 30 kPa in each of six burns before ``hours``, and stand still between them."""
    for count in range(6):
        time = START + hours * HOUR + (count - 6) * 1800.0 + np.arange(0.0, 1800.0, 10.0)
        on = time - time[0] >= 1400.0
        pressure = 414.0 + 30.0 * np.clip((time - time[0] - 1400.0) / 400.0, 0.0, 1.0)
        rows = Samples(time, pressure, on.astype(float), np.full(len(time), np.nan))
        response.burn(Burn(float(time[-1]), rows.between(139, len(rows)), float(time[-1])))
        response.hour(rows)


def facts(share: float = 1.0, sd: float = 0.05) -> Facts:
    """Return the facts of a belief that the share of the full air is left."""
    belief = first_belief(PLANT, START)
    mean = belief.mean.copy()
    mean[AIR] = mean[REFERENCE] = math.log(share * PLANT.air_of(SIXTY))
    covariance = np.diag(np.array([sd, 0.005, 0.05, 0.5, sd]) ** 2)
    belief = replace(belief, mean=mean, covariance=covariance, windows=20)
    return facts_of(belief, limits_of(PLANT, SIXTY, belief.elastic), PLANT, SIXTY)


def say(sight: Sight, now: float, *, last: float | None = None, of: Facts | None = None,
        findings: list[Finding] | None = None) -> tuple[Verdict, str]:  # fmt: skip
    """Return the verdict ``now`` seconds after the start; readings up to ``last``, or to now."""
    newest = START + (now if last is None else last)
    return verdict_of(findings or [], of or facts(), sight, newest, START + now, SPEAKER)


def test_fresh_evidence_and_little_doubt_is_holding() -> None:
    verdict, why = say(watched(), 48 * HOUR)
    assert verdict is Verdict.HOLDING
    assert "psi" in why


def test_evidence_expires() -> None:
    sight = watched()
    end = 48 * HOUR + EVIDENCE_LASTS
    sight.look(START + end - HOUR)
    assert say(sight, end - HOUR)[0] is Verdict.HOLDING
    sight.look(START + end + HOUR)
    assert say(sight, end + HOUR)[0] is Verdict.BLIND
    assert sight.since == START + 48 * HOUR + EVIDENCE_LASTS


@pytest.mark.parametrize("now", [1.0, HOUR, 24 * HOUR, 100 * HOUR, 1e7])
def test_blind_or_learning_is_never_holding(now: float) -> None:
    """No window at all, however long one waits and however full the tank is believed."""
    sight = watched(1.0, 99.0)
    sight.look(START + now)
    assert say(sight, now)[0] in {Verdict.LEARNING, Verdict.BLIND}
    if now > LEARNING_LASTS:
        assert say(sight, now)[0] is Verdict.BLIND


def test_less_than_three_windows_are_too_few() -> None:
    assert say(watched(16.0), 16 * HOUR)[0] is Verdict.LEARNING
    assert say(watched(24.0), 24 * HOUR)[0] is Verdict.HOLDING


def test_rises_that_come_as_well_without_heat_are_no_evidence() -> None:
    sight = watched()
    sight.response = Response()
    verdict, why = say(sight, 48 * HOUR)
    assert verdict is Verdict.LEARNING
    assert "with heat" in why


def test_no_readings_is_learning_and_silence_is_blind() -> None:
    assert verdict_of([], None, Sight(), None, START, SPEAKER)[0] is Verdict.LEARNING
    assert say(watched(), 48 * HOUR + GAP, last=48 * HOUR)[0] is Verdict.BLIND
    assert say(watched(), 48 * HOUR + GAP - 60.0, last=48 * HOUR)[0] is Verdict.HOLDING


@pytest.mark.parametrize(("share", "sd"), [(0.6, 0.05), (0.8, 0.1), (0.75, 0.2)])
def test_a_charge_that_may_be_low_is_not_called_holding(share: float, sd: float) -> None:
    """The limit is 45 psi, three quarters of the target: 0.80 of the air. At it all is open."""
    assert say(watched(), 48 * HOUR, of=facts(share, sd))[0] is not Verdict.HOLDING


def test_a_fault_stands_even_while_blind_and_the_most_urgent_speaks() -> None:
    low = low_charge(facts(0.6), SPEAKER, START, START + DAY)
    lost = cushion_lost(facts(0.1), SPEAKER, START, START + 2 * DAY, None, 0.99)
    end = 48 * HOUR + 10 * DAY
    sight = watched()
    sight.look(START + end)
    verdict, why = say(sight, end, last=48 * HOUR, findings=[low, lost])
    assert (verdict, why) == (Verdict.FAULT, lost.why)


def test_what_has_ended_and_what_is_blind_is_no_fault() -> None:
    ended = replace(low_charge(facts(0.6), SPEAKER, START, START + DAY), ended=START + 2 * DAY)
    dark = blind(START, START + DAY, "no readings arrive", "check the device", SPEAKER)
    assert say(watched(), 48 * HOUR, findings=[ended])[0] is Verdict.HOLDING
    assert say(watched(), 48 * HOUR, findings=[dark])[0] is not Verdict.FAULT


def test_pressure_that_does_not_answer_ends_the_evidence_early_and_says_why() -> None:
    sight = watched()
    for number in range(6):
        at = (50.0 + number) * HOUR
        sight.burn([window(at, Kind.FLAT)], START + at, ended=True)
    sight.look(START + 48 * HOUR + 25 * HOUR)
    assert sight.since is not None
    assert "street side of the check valve" in sight.why


def test_the_odd_rise_among_whole_burns_without_one_is_no_evidence() -> None:
    """The supply's doing: burns that no draw disturbed mostly show nothing."""
    sight = watched(8.0, 99.0, heater=1.0)
    for number in range(20):
        at = (1.0 + number) * HOUR
        kind = Kind.RISE if number % 5 == 4 else Kind.FLAT
        sight.burn([window(at, kind, undisturbed=True)], START + at, ended=True)
    assert not sight.answers
    sight.look(START + 40 * HOUR)
    assert sight.since is not None


@pytest.mark.parametrize(
    ("heater", "burns", "said"),
    [
        (math.nan, 0, "heater's state is not reported"),
        (0.0, 0, "not been seen on"),
        (1.0, 3, "3 burns, but none"),
    ],
)
def test_a_blind_span_gives_its_reason(heater: float, burns: int, said: str) -> None:
    sight = watched(30.0, 99.0, heater=heater)
    for number in range(burns):
        sight.burn([], START + (number + 1) * HOUR, ended=True)
    sight.look(START + 30 * HOUR)
    assert sight.since == START
    assert said in sight.why


def test_spans_close_with_the_next_rise_and_silences_are_listed() -> None:
    sight = watched(30.0, 99.0, heater=1.0)
    sight.look(START + 30 * HOUR)
    sight.gap(START + 5 * HOUR, START + 5 * HOUR + GAP)
    sight.gap(START + 8 * HOUR, START + 8 * HOUR + GAP - 1.0)
    open_span = sight.all_spans(START + 31 * HOUR)[0]
    assert (open_span.start, open_span.end) == (START, START + 31 * HOUR)
    sight.burn([window(32 * HOUR)], START + 32.1 * HOUR, ended=True)
    spans = [(s.start - START, s.end - START) for s in sight.all_spans(START + 50 * HOUR)]
    assert spans == [(0.0, 32.1 * HOUR), (5 * HOUR, 5 * HOUR + GAP)]
    assert sight.since is None


def test_every_blindness_says_what_to_do() -> None:
    unknown = Sight(start=START)
    off = Sight(start=START, heater_known=True)
    busy = Sight(start=START, heater_known=True, burns=7)
    remedies = []
    for sight in (unknown, off, busy):
        sight.look(START + 30 * HOUR)
        assert sight.since == START
        remedies.append(sight.remedy)
    assert ["publish" in remedies[0], "stuck" in remedies[1], "10 s" in remedies[2]] == [True, True, True]


def test_one_rise_after_many_without_ends_no_blindness() -> None:
    """What the supply does by chance is no answer to heat; three rises in a row are."""
    sight = watched()
    for number in range(6):
        at = (50.0 + number) * HOUR
        sight.burn([window(at, Kind.FLAT)], START + at, ended=True)
    sight.look(START + 80 * HOUR)
    assert sight.since is not None
    for number in range(3):
        assert sight.since is not None
        at = (81.0 + number) * HOUR
        sight.burn([window(at, Kind.RISE)], START + at, ended=True)
    assert sight.since is None


def test_a_heater_that_never_goes_off_is_no_evidence() -> None:
    """Twelve pieces of two hours without a pause: the signal is stuck, whatever rises."""
    sight = watched()
    for number in range(12):
        at = (50.0 + 2.0 * number) * HOUR
        sight.burn([window(at)], START + at, ended=False)
    assert not sight.answers
    sight.look(START + 110 * HOUR)
    assert "stuck at on" in sight.why


def test_a_line_far_from_its_site_file_is_doubtful() -> None:
    """psi read as kPa, or absolute as gauge: the line itself tells."""
    odd = replace(facts(), supply=SIXTY + 101_325.0)
    verdict, why = verdict_of([], odd, watched(), START + 48 * HOUR, START + 48 * HOUR, SPEAKER)
    assert verdict is Verdict.DOUBTFUL
    assert "unit" in why
    assert "absolute" in why


@pytest.mark.parametrize(
    ("odd", "told"),
    [
        (replace(facts(1.4)), "above the 60 psi at which the line rests"),
        (replace(facts(), peak=1.0e6), "would still reach 145 psi"),
        (replace(facts(), supply=600e3, supply_stated=600e3), "pressure reducing valve"),
        (replace(facts(0.9, sd=0.3)), "cannot be said to be above its limit"),
        (replace(facts(), contradicted=True), "more steeply"),
        (replace(facts(), erratic=True), "contradict each other"),
    ],
)
def test_what_is_amiss_without_a_named_fault_is_doubtful_and_says_so(odd: Facts, told: str) -> None:
    """A tank pumped too high, too small a tank, a line above 80 psi (IPC 604.8), a guess, contradictions."""
    verdict, why = verdict_of([], odd, watched(), START + 48 * HOUR, START + 48 * HOUR, SPEAKER)
    assert verdict is Verdict.DOUBTFUL
    assert told in why


def test_no_window_weighs_before_a_burner_was_seen_to_go_off_nor_while_it_does_not() -> None:
    """A state that is stuck at on brings heat into the account that no water has got."""
    sight = Sight()
    sight.burn([], 7200.0, ended=False)
    assert not sight.weighs
    sight.burn([], 9000.0, ended=True)
    assert sight.weighs
    for piece in range(2):
        sight.burn([], 20_000.0 + 7200.0 * piece, ended=False)
        assert sight.weighs  # two hours and more: a small element's recovery from cold
    sight.burn([], 40_000.0, ended=False)
    assert not sight.weighs


def test_a_loop_that_rests_well_below_its_filling_is_doubtful() -> None:
    loop = replace(SITE, heater=replace(SITE.heater, kind=HeaterKind.LOOP), precharge=100e3, supply=None)
    plant = plant_of(loop)
    belief = replace(first_belief(plant, START), windows=20)
    belief = replace(belief, covariance=belief.covariance * 0.01)
    limits = limits_of(plant, 120e3, belief.elastic)
    sunk = facts_of(belief, limits, plant, 120e3, 170e3)
    verdict, why = say(watched(), 48 * HOUR, of=sunk)
    assert verdict is Verdict.DOUBTFUL
    assert "loses water or air" in why
    assert not facts_of(belief, limits, plant, 160e3, 170e3).sunk
    assert not facts(1.0).sunk
