"""``proof`` and ``advice`` as commands: on a log, on a store, and as a table."""

from __future__ import annotations

import gzip
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.site import Visit, VisitAction
from monitor.store.sqlite import SqliteStore
from tests.plants.cases import PSI, cases
from tests.plants.write import plant, site_text, write

DAY = 86_400.0
BOOKED = "2024-01-15T10:16:00Z"
SERVICE = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'

Cli = Callable[..., tuple[int, str, str]]


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    def run(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["cushionwatch", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        out, err = capsys.readouterr()
        return int(end.value.code or 0), " ".join(out.split()), err

    return run


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the log of a refill that holds."""
    folder = tmp_path_factory.mktemp("refill")
    write(replace(cases()["refill_day7"], days=14.6), folder, 1)
    return folder


def files(log: Path) -> tuple[object, ...]:
    return (
        "--readings",
        log / "READINGS.csv.gz",
        "--site",
        log / "SITE.toml",
        "--visits",
        log / "VISITS.csv",
    )


def test_a_log_proves_that_a_refill_held(cli: Cli, log: Path, tmp_path: Path) -> None:
    out = tmp_path / "proof.html"
    code, said, err = cli("proof", *files(log), "--out", out)
    assert code == 0
    assert "Held. The visit left 60 psi" in said
    assert "Nothing to do." in said
    assert err == f"written: {out}\n"
    page = out.read_text()
    assert "The refill held for 7 days" in page
    code, said, _ = cli("proof", *files(log), "--visit", BOOKED, "--json")
    told = json.loads(said)
    assert (code, told["watch"]["state"]) == (0, "held")
    assert told["digest"] in page


def test_what_is_not_over_or_not_there_is_told(cli: Cli, log: Path, tmp_path: Path) -> None:
    rows = (log / "READINGS.csv.gz").read_bytes()
    short = tmp_path / "short.csv"
    lines = gzip.decompress(rows).decode().splitlines()
    short.write_text("\n".join(lines[: 10 * 8640]) + "\n")
    out = tmp_path / "proof.html"
    site = ("--site", log / "SITE.toml", "--visits", log / "VISITS.csv")
    code, said, _ = cli("proof", "--readings", short, *site, "--out", out)
    assert code == 1
    assert "Watch running, day 3 of 7." in said
    assert not out.exists()
    code, _, err = cli("proof", *files(log), "--visit", "2024-01-15T10:16:30Z")
    assert code == 2
    assert f"no such visit at 2024-01-15T10:16:30Z; those that can be proved are of: {BOOKED}" in err


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("--readings", "x.csv"), "--site SITE.toml is missing"),
        (("--site", "x.toml", "--visits", "x.csv"), "--readings LOG is missing"),
        (("--visit", "yesterday"), "--visit 'yesterday' is no time"),
        (("--visit", "2026-01-01T00:00:00"), "has no offset"),
    ],
)
def test_a_wrong_question_is_told(cli: Cli, arguments: tuple[str, ...], why: str) -> None:
    code, _, err = cli("proof", *arguments)
    assert code == 2
    assert why in err


def test_a_proof_does_not_replace_what_it_is_made_from(cli: Cli, log: Path) -> None:
    before = (log / "VISITS.csv").read_bytes()
    assert cli("proof", *files(log), "--out", log / "VISITS.csv")[0] == 2
    assert (log / "VISITS.csv").read_bytes() == before


@pytest.fixture
def config(stored: Path, tmp_path: Path) -> Path:
    """Return the service file of a copy of its own."""
    shutil.copytree(stored, tmp_path / "service")
    return tmp_path / "service" / "service.toml"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a service that has stored a refill of a week ago, and the service has never analysed it."""
    folder = tmp_path_factory.mktemp("service")
    (folder / "sites").mkdir()
    (folder / "var").mkdir()
    case = replace(cases()["refill_day7"], days=14.6, name="mill")
    (folder / "sites" / "mill.toml").write_text(site_text(case))
    (folder / "service.toml").write_text(SERVICE)
    result = plant(case, 1)
    start = SystemClock().now() - case.days * DAY
    store = SqliteStore(folder / "var" / "cushionwatch.db")
    for point in (Point.PRESSURE, Point.HEATER):
        values = np.nan_to_num(result[point.value])
        store.commit(
            [
                Reading("mill", point, round(start + time, 3), value)
                for time, value in zip(result["time"].tolist(), values.tolist(), strict=True)
            ],
            [],
        )
    done = round(start + 7.4 * DAY + 2400)
    store.add_visit("mill", Visit(done, VisitAction.REFILLED, 60e3 * PSI, 60e3 * PSI, water_at_valve=False))
    store.close()
    return folder


def test_a_store_proves_it_too(cli: Cli, config: Path, tmp_path: Path) -> None:
    out = tmp_path / "proof.html"
    code, said, err = cli("proof", "mill", "-c", config, "--out", out)
    assert (code, "Held." in said) == (0, True), said + err
    assert "The refill held for 7 days" in out.read_text()
    code, said, _ = cli("advice", "mill", "-c", config, "--json")
    told = json.loads(said)
    assert (code, told["advice"], told["situation"]["watch"]) == (0, "nothing", "held")
    assert "From fault none" in cli("advice", "mill", "-c", config)[1]


def test_water_at_the_valve_changes_the_advice_at_once(cli: Cli, config: Path) -> None:
    code, said, _ = cli("visit", "mill", "-c", config, "--action", "looked", "--water-at-valve")
    assert code == 0
    assert "Water at the air valve means a torn diaphragm. Replace the tank, never by a smaller one" in said
    assert json.loads(cli("advice", "mill", "-c", config, "--json")[1])["advice"] == "replace_tank"


def test_the_steps_of_a_visit_are_shown_and_nothing_is_logged(cli: Cli, config: Path) -> None:
    code, said, _ = cli("visit", "mill", "-c", config, "--guide")
    assert code == 0
    places = [
        said.index(text)
        for text in ("1 Gauge the line", "2 Heat off", "5 Gauge the tank", "7 Pump or let", "12 Log")
    ]
    assert places == sorted(places)
    assert "! Never plug, cap or shut off a relief valve" in said


def test_the_table_in_three_forms(cli: Cli) -> None:
    code, text, _ = cli("advice", "--table")
    assert code == 0
    assert text.startswith("1. Call licensed help now If Fault: relief discharging Do")
    told = json.loads(cli("advice", "--table", "--json")[1])
    assert told[0]["advice"] == "call_licensed_help_now"
    assert told[0]["if"]["fault"] == ["relief_discharging"]
    markdown = cli("advice", "--table", "--markdown")[1]
    assert markdown.startswith("| Fault | Water at the air valve |")
    assert markdown.count("|") == 9 * (len(told) + 2)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "name a site, or ask for the table"),
        (("mill", "--table"), "name a site, or ask for the table"),
        (("--table", "--json", "--markdown"), "do not go together"),
        (("mill", "--markdown"), "--markdown is for the table"),
    ],
)
def test_a_wrong_question_for_advice_is_told(cli: Cli, arguments: tuple[str, ...], why: str) -> None:
    code, _, err = cli("advice", *arguments)
    assert code == 2
    assert why in err
