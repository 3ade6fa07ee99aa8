"""Whole plants whose draws and heater come from outside libraries, through the command as a user runs it.

Draws and burner are those of two open simulation packages (``tests/reference/README.md``); cushion, line and
sensor are the evaluation's own. Thresholds are set from what the job asks, not from what comes out today.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pytest

from tests.plants.cases import PSI, cases
from tests.plants.write import START, write

DAY: Final = 86_400.0

# Keys of the contract of ``examine --json``; other programs read them.
TOP: Final = {"site", "span", "samples", "air_charge", "worst_case_peak_kpa", "findings", "blind", "forecast"}
FINDING: Final = {"fault", "began", "raised", "ended", "severity", "why", "action", "evidence"}

# Case: the faults that are raised, and none else.
EXPECTED: Final = {
    "healthy": set[str](),
    "torn_day5": {"air_cushion_lost"},
    "slow_loss_fast": {"air_charge_low"},
    "low_from_start_gauged": {"air_charge_low"},
    "refill_day7": {"air_charge_low"},
    "upstream_sensor": {"blind"},
    "no_heater_state": {"blind"},
    "silent_gap": {"blind"},
}
GAUGED: Final = ["healthy", "slow_loss_fast", "low_from_start_gauged", "refill_day7", "torn_day5"]


@dataclass(frozen=True, slots=True)
class Run:
    """What came of a case: exit code, the object on stdout, what went to stderr, and the truth."""

    code: int
    said: dict[str, Any]
    err: str
    truth: dict[str, Any]


def seconds(stamp: str) -> float:
    """Return an RFC 3339 instant in UTC as seconds since the start of a case."""
    assert stamp.endswith("Z")
    return datetime.fromisoformat(stamp).timestamp() - START


def examine(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    """Run the command on the files in ``folder``."""
    command = [sys.executable, "-m", "monitor", "examine", str(folder / "READINGS.csv.gz"), "--site",
               str(folder / "SITE.toml"), "--visits", str(folder / "VISITS.csv"), *more]  # fmt: skip
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture
def run(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Return the outcome of the case that the test is for; it is kept for the other tests, of all workers."""
    name = str(request.param)
    base = tmp_path_factory.getbasetemp()
    kept = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / f"outside-{name}.json"
    if not kept.exists():
        folder = tmp_path_factory.mktemp(name)
        write(cases()[name], folder, 1)
        done = examine(folder, "--json")
        assert done.returncode in {0, 1}, done.stderr
        truth = json.loads((folder / "TRUTH.json").read_text(encoding="utf-8"))
        outcome = {
            "code": done.returncode,
            "said": json.loads(done.stdout),
            "err": done.stderr,
            "truth": truth,
        }
        (folder / "outcome").write_text(json.dumps(outcome), encoding="utf-8")
        (folder / "outcome").replace(kept)
    return Run(**json.loads(kept.read_text(encoding="utf-8")))


def on(*names: str) -> pytest.MarkDecorator:
    """Run a test for each of these cases."""
    return pytest.mark.parametrize("run", names, indirect=True)


def finding(run: Run, fault: str) -> dict[str, Any]:
    """Return the one finding of a fault."""
    (one,) = [f for f in run.said["findings"] if f["fault"] == fault]
    return dict(one)


@on(*EXPECTED)
def test_the_expected_findings_and_none_else(run: Run) -> None:
    expected = EXPECTED[run.truth["case"]]
    assert {f["fault"] for f in run.said["findings"]} == expected, [f["why"] for f in run.said["findings"]]
    assert len(run.said["findings"]) == len(expected)
    assert run.code == (1 if expected else 0)


@on(*EXPECTED)
def test_the_contract_of_the_output(run: Run) -> None:
    said = run.said
    assert set(said) == TOP
    assert set(said["span"]) == {"start", "end"}
    assert said["site"] == run.truth["case"].replace("_", "-")
    assert said["samples"] > 10_000
    start, end = seconds(said["span"]["start"]), seconds(said["span"]["end"])
    assert abs(end - seconds(run.truth["end"])) < 1.0
    for one in said["findings"]:
        assert set(one) == FINDING
        # A fault may have begun before the log did, at the visit that the book tells of.
        assert seconds(one["began"]) <= seconds(one["raised"])
        assert start <= seconds(one["raised"]) <= end
        assert one["ended"] is None or seconds(one["raised"]) <= seconds(one["ended"]) <= end
        assert one["severity"] in {"high", "medium", "low"}
        assert one["why"]
        assert one["action"]
        assert isinstance(one["evidence"], dict)
    for span in said["blind"]:
        assert set(span) == {"start", "end", "why"}
        assert start <= seconds(span["start"]) <= seconds(span["end"]) <= end
    if said["forecast"] is not None:
        assert set(said["forecast"]) == {"limit_date", "low", "high"}
    assert run.err == ""


@on(*EXPECTED)
def test_there_is_an_estimate_a_day_within_its_own_interval(run: Run) -> None:
    rows = run.said["air_charge"]
    assert all(set(row) == {"time", "kpa", "low_kpa", "high_kpa"} for row in rows)
    assert all(0.0 <= row["low_kpa"] <= row["kpa"] <= row["high_kpa"] for row in rows)
    times = [seconds(row["time"]) for row in rows]
    assert times == sorted(set(times))
    whole_days = {int(t // DAY) for t in times}
    assert whole_days >= set(range(1, int(seconds(run.said["span"]["end"]) // DAY)))


def pairs(run: Run) -> list[tuple[dict[str, float], float, float]]:
    """Return estimates with the true charge as a gauge shows it, and day; three days after a jump are left out."""
    known = {round(seconds(row["time"])): row["kpa"] for row in run.truth["air_charge"]}
    settles = {"torn_day5": 5.3, "refill_day7": 7.4}.get(run.truth["case"], -3.0)
    return [
        (row, max(known[at], 0.0), at / DAY)
        for row in run.said["air_charge"]
        if (at := round(seconds(row["time"]))) in known and not settles <= at / DAY < settles + 3.0
    ]


@on(*GAUGED)
def test_the_charge_is_right_to_one_and_a_half_psi_where_it_was_gauged(run: Run) -> None:
    """Mean absolute error of the daily estimate."""
    errors = [
        abs(row["kpa"] - true) / PSI for row, true, _ in pairs(run) if run.truth["case"] != "refill_day7"
    ]
    # Never gauged before the refill: only what comes after counts there.
    errors += [abs(row["kpa"] - true) / PSI for row, true, day in pairs(run)
               if run.truth["case"] == "refill_day7" and day > 7.4]  # fmt: skip
    assert len(errors) >= 8
    assert sum(errors) / len(errors) <= 1.5


@on(*GAUGED)
def test_the_interval_holds_the_truth_on_most_days(run: Run) -> None:
    """90 % coverage is what is promised; of a dozen days of one plant 70 % may be asked."""
    inside = [row["low_kpa"] - 0.1 <= true <= row["high_kpa"] + 0.1 for row, true, _ in pairs(run)]
    assert sum(inside) >= 0.7 * len(inside)


@on("torn_day5")
def test_a_torn_diaphragm_is_named_within_a_day(run: Run) -> None:
    one = finding(run, "air_cushion_lost")
    assert 5.3 * DAY <= seconds(one["raised"]) <= 6.3 * DAY
    assert abs(seconds(one["began"]) - 5.3 * DAY) < 0.5 * DAY
    assert one["ended"] is None
    assert one["severity"] == "high"


@on("slow_loss_fast")
def test_a_slow_loss_is_named_before_the_relief_valve_opens(run: Run) -> None:
    """2.5 % of its charge a day: raised once more than 5 % is gone and while most is still there."""
    one = finding(run, "air_charge_low")
    assert 2.0 * DAY <= seconds(one["raised"]) <= 14.0 * DAY
    opened = run.truth["relief_opened"]["first"]
    assert opened is None or seconds(one["raised"]) < seconds(opened)


@on("low_from_start_gauged")
def test_a_tank_gauged_low_is_named_within_two_days(run: Run) -> None:
    one = finding(run, "air_charge_low")
    assert seconds(one["raised"]) <= 2.0 * DAY
    assert run.said["worst_case_peak_kpa"] > 100 * PSI


@on("refill_day7")
def test_a_refill_ends_the_finding_and_the_charge_is_that_of_the_pump(run: Run) -> None:
    one = finding(run, "air_charge_low")
    assert seconds(one["raised"]) < 7.4 * DAY < seconds(one["ended"]) < 10.0 * DAY
    assert abs(run.said["air_charge"][-1]["kpa"] - 60.0 * PSI) < 5.0 * PSI


@on("upstream_sensor", "no_heater_state")
def test_a_site_that_cannot_be_seen_is_blind_within_days_and_to_the_end(run: Run) -> None:
    """The odd rise by the supply may pass for evidence at first, and evidence lives for three days."""
    one = finding(run, "blind")
    assert seconds(one["raised"]) <= 4.0 * DAY
    assert one["ended"] is None
    assert run.said["forecast"] is None
    dark = sum(seconds(s["end"]) - seconds(s["start"]) for s in run.said["blind"])
    assert dark >= 11.0 / 14.0 * seconds(run.said["span"]["end"])


@on("silent_gap")
def test_a_silence_of_three_days_is_told_and_listed(run: Run) -> None:
    one = finding(run, "blind")
    assert abs(seconds(one["began"]) - 4.0 * DAY) < 60.0
    assert seconds(one["raised"]) <= 7.0 * DAY + 60.0
    assert abs(seconds(one["ended"]) - 7.0 * DAY) < 3600.0
    (span,) = [s for s in run.said["blind"] if s["why"] == "no readings arrived"]
    assert abs(seconds(span["start"]) - 4.0 * DAY) < 60.0
    assert abs(seconds(span["end"]) - 7.0 * DAY) < 60.0


@on("healthy")
def test_a_healthy_plant_has_a_peak_far_below_its_relief_valve_and_no_forecast(run: Run) -> None:
    """By the closed form, 2.05 L into 8 L at 60 psi: (74.7 / (1 - 2.05 / 8)) - 14.7 = 86 psi."""
    assert run.said["forecast"] is None
    assert run.said["worst_case_peak_kpa"] == pytest.approx(86.0 * PSI, rel=0.07)


def test_bad_input_ends_with_2_and_one_message_and_no_object(tmp_path: Path) -> None:
    write(cases()["sampling_5s"], tmp_path, 1)
    (tmp_path / "SITE.toml").write_text('id = "x"\nunit = "atm"\n', encoding="utf-8")
    done = examine(tmp_path, "--json")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "atm" in done.stderr
    assert "Traceback" not in done.stderr
