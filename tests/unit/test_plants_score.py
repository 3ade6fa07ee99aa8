"""The scores of the bench on trials written by hand."""

from __future__ import annotations

import pytest

from tests.bench import dates, score, tables
from tests.bench.accuracy import revived, span
from tests.bench.trial import Day, Said, Trial

SUPPLY = 400.0
OUTSIDE = 100.0


def day(number: float, truth: float, seen: float | None = None, half: float = 20.0, **rest: float) -> Day:
    """Return an evening; ``seen`` with an interval of ``half`` to both sides."""
    made = Day(number, truth, (truth + OUTSIDE) / (SUPPLY + OUTSIDE), "holding")
    if seen is not None:
        made.kpa, made.low, made.high = seen, seen - half, seen + half
    for key, value in rest.items():
        setattr(made, key, value)
    return made


def trial(scenario: str, daily: list[Day], *said: Said, **events: float) -> Trial:
    """Return a trial with these evenings and findings."""
    length = float(len(daily))
    made = Trial(1, scenario, "t", True, True, 10.0, length, SUPPLY, 0.0, events, None, 0, 0.0)
    made.daily, made.said = daily, list(said)
    return made


def test_errors_are_over_settled_days_and_never_below_an_empty_gauge() -> None:
    days = [day(n, 400.0, 400.0 + n) for n in (1.0, 2.0, 3.0, 4.0, 50.0)]
    days.append(day(6.0, -100.0, -20.0))
    found = score.errors(score.judged([trial("healthy", days)]))
    # Days 1 and 2 are too early; 3, 4 and 50 kPa too high; an empty vessel is seen as empty.
    assert found.days == 4
    assert found.mean_absolute == pytest.approx((3.0 + 4.0 + 50.0 + 0.0) / 4.0)
    assert found.covered == pytest.approx(3.0 / 4.0)


@pytest.mark.parametrize(
    ("truth", "fault", "right"),
    [
        (400.0, "air_charge_low", False),
        (320.0, "air_charge_low", True),
        (200.0, "air_cushion_lost", False),
        (20.0, "air_cushion_lost", True),
        (20.0, "relief_discharging", False),
    ],
)
def test_a_finding_is_right_if_it_was_true_when_raised(truth: float, fault: str, right: bool) -> None:
    made = trial("low", [day(n, truth) for n in (1.0, 2.0, 3.0)], Said(fault, 0.0, 1.5, None))
    assert score.right(made, made.said[0]) is right
    assert len(score.false_findings([made])) == (0 if right else 1)


def test_a_low_charge_after_the_refill_is_false() -> None:
    days = [day(1.0, 100.0), day(2.0, 100.0), day(3.0, 400.0), day(4.0, 400.0)]
    made = trial("refill", days, Said("air_charge_low", 0.0, 2.9, None), refilled=2.5)
    assert not score.right(made, made.said[0])


def test_delays_count_from_the_onset_and_the_other_name_apart() -> None:
    days = [day(float(n), 400.0 if n < 5 else -80.0) for n in range(1, 12)]
    named = trial("torn", days, Said("air_cushion_lost", 4.2, 5.6, None), air_cushion_lost=4.2)
    other = trial("torn", days, Said("air_charge_low", 4.2, 7.2, None), air_cushion_lost=4.2)
    silent = trial("torn", days, air_cushion_lost=4.2)
    found = score.detection([named, other, silent], "air_cushion_lost")
    assert (found.plants, found.named, found.other_name) == (3, 1, 1)
    assert found.delays == pytest.approx((1.4, 3.0))


def test_forecast_hits_and_misses() -> None:
    days = [
        day(1.0, 390.0, limit_date=20.0, limit_low=15.0, limit_high=30.0, limit_kpa=300.0, truly=18.0),
        day(2.0, 385.0, limit_date=40.0, limit_low=30.0, limit_kpa=300.0, truly=18.0),
        day(19.0, 290.0, limit_date=40.0, limit_low=30.0, limit_kpa=300.0, truly=18.0),
    ]
    found = dates.forecasts([trial("slow_loss", days)])
    assert (found.days, found.hits, found.early) == (2, 1, 1)
    assert found.median_error == pytest.approx(12.0)


def test_a_trial_comes_back_from_json_and_fills_every_table() -> None:
    made = trial("healthy", [day(float(n), 400.0, 405.0) for n in range(1, 7)], Said("blind", 1.0, 2.0, 3.0))
    again = revived(made.plain())
    assert again == made
    text = tables.all_of([again], each=True)
    assert "0.73 psi 5.0 kPa" in text
    assert "blind elsewhere          1 at 1 plants" in text
    assert "said to hold             0 of 0 days of faulty plants, 5 of 5 of sound ones" in text


@pytest.mark.parametrize(("text", "seeds"), [("3:6", [3, 4, 5]), ("17", [17])])
def test_spans_of_seeds(text: str, seeds: list[int]) -> None:
    assert list(span(text)) == seeds
