"""``cushionwatch commission``: from a store and from a log, exit codes, and one message for each mistake."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.diagnosis.commissioning.check import Code
from monitor.estimation.samples import Samples
from monitor.readings import Point, Reading, Rejected
from monitor.store.sqlite import SqliteStore
from monitor.units import KPA, PSI
from tests.plants.formula import START, Line

SITE = """\
id = "home"
name = "7 Larkspur Lane"
timezone = "America/Denver"
unit = "psi"
[heater]
volume = "150 L"
input = "11.7 kW"
efficiency = 0.77
setpoint = "54 degC"
[tank]
volume = "8 L"
precharge = "60 psi"
[supply]
pressure = "60 psi"
[relief]
setting = "150 psi"
"""
SERVICE = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Outcome]


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    monkeypatch.delenv("CUSHIONWATCH_CONFIG", raising=False)

    def run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["cushionwatch", "commission", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        found = capsys.readouterr()
        assert "Traceback" not in found.err
        return Outcome(end.value.code if isinstance(end.value.code, int) else 0, found.out, found.err)

    return run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "home.toml").write_text(SITE)
    (tmp_path / "service.toml").write_text(SERVICE)
    return tmp_path


def log(rows: Samples, path: Path) -> Path:
    lines = [
        f"{t:.0f},{p:.3f},{h:.0f},{w:.1f}"
        for t, p, h, w in zip(
            rows.time, rows.pressure * KPA / PSI, rows.heater, rows.temperature, strict=True
        )
    ]
    path.write_text("time,pressure,heater,temperature\n" + "\n".join(lines) + "\n")
    return path


def fill(folder: Path, rows: Samples) -> None:
    (folder / "var").mkdir()
    store = SqliteStore(folder / "var" / "cushionwatch.db")
    columns = (
        (Point.PRESSURE, rows.pressure),
        (Point.HEATER, rows.heater),
        (Point.TEMPERATURE, rows.temperature),
    )
    store.commit(
        [
            Reading("home", point, t, v)
            for point, values in columns
            for t, v in zip(rows.time.tolist(), values.tolist(), strict=True)
        ],
        [Rejected(START, "cushionwatch/home/pressure", "no number: 'abc'", b"abc")],
    )
    store.close()


def test_a_log_of_a_sound_site_ends_with_0_and_says_what_to_expect(cli: Cli, folder: Path) -> None:
    path = log(Line().rows(), folder / "log.csv")
    code, out, _ = cli("--readings", path, "--site", folder / "sites" / "home.toml")
    assert code == 0
    assert "7 Larkspur Lane (home)" in out
    assert "Wrong" not in out
    assert " psi" in out
    assert "MST" in out  # the site's time zone
    assert "90 % interval" in out
    assert "one scale" in out
    assert out.rstrip().splitlines()[-1].startswith("     ")
    assert all(len(line) <= 90 for line in out.splitlines())


def test_what_is_wrong_comes_first_and_ends_with_1(cli: Cli, folder: Path) -> None:
    rows = Line().rows()
    path = log(Samples(rows.time, rows.pressure, 1.0 - rows.heater, rows.temperature), folder / "log.csv")
    code, out, _ = cli("--readings", path, "--site", folder / "sites" / "home.toml")
    assert code == 1
    heads = [
        line for line in out.splitlines() if line in {"Wrong", "Doubtful", "Not seen yet", "Fits", "Next"}
    ]
    assert heads[0] == "Wrong"
    assert heads[-2:] == ["Fits", "Next"]
    assert "upside down" in out


def test_the_json_form_has_all_checks_and_the_accuracy(cli: Cli, folder: Path) -> None:
    path = log(Line().rows(), folder / "log.csv")
    code, out, _ = cli("--readings", path, "--site", folder / "sites" / "home.toml", "--json")
    found: dict[str, Any] = json.loads(out, parse_constant=pytest.fail)
    assert code == 0
    assert list(found) == ["site", "span", "samples", "fits", "checks", "accuracy", "next"]
    assert [one["check"] for one in found["checks"]] == [code.value for code in Code]
    assert {one["word"] for one in found["checks"]} == {"fits"}
    assert all(list(one) == ["check", "word", "seen", "do", "evidence"] for one in found["checks"])
    assert found["accuracy"]["now"]["low_kpa"] < found["accuracy"]["now"]["high_kpa"]
    assert found["span"]["start"] == "2026-01-05T00:00:00Z"


def test_the_store_says_the_same_as_a_log(cli: Cli, folder: Path) -> None:
    rows = Line(hours=30.0).rows()
    fill(folder, rows)
    path = log(rows, folder / "log.csv")
    code, out, _ = cli("home", "--config", folder / "service.toml", "--json")
    again, offline, _ = cli("--readings", path, "--site", folder / "sites" / "home.toml", "--json")
    assert (code, again) == (0, 0)
    live, log_too = json.loads(out), json.loads(offline)
    assert [one["word"] for one in live["checks"]] == [one["word"] for one in log_too["checks"]]
    assert live["samples"] == log_too["samples"]
    assert live["accuracy"]["now"]["kpa"] == pytest.approx(log_too["accuracy"]["now"]["kpa"], rel=1e-3)


def test_latest_looks_at_the_end_of_the_store(cli: Cli, folder: Path) -> None:
    good = Line(hours=100.0, interval=30.0).rows()
    early = good.time < START + 73 * 3600.0
    fill(folder, Samples(good.time, good.pressure, np.where(early, 0.0, good.heater), good.temperature))
    first = json.loads(cli("home", "--config", folder / "service.toml", "--json").out)
    newest = json.loads(cli("home", "--config", folder / "service.toml", "--latest", "--json").out)
    words = [{one["check"]: one["word"] for one in found["checks"]} for found in (first, newest)]
    assert words[0]["heater_state"] == "wrong"
    assert words[1]["heater_state"] == "fits"
    assert first["span"]["start"] < newest["span"]["start"]


def test_a_site_without_readings_is_told_where_to_look_and_nothing_is_made(cli: Cli, folder: Path) -> None:
    code, out, _ = cli("home", "--config", folder / "service.toml")
    assert code == 1
    assert "cushionwatch rejected" in out
    assert not (folder / "var").exists()


def test_the_one_site_of_a_service_need_not_be_named(cli: Cli, folder: Path) -> None:
    assert "(home)" in cli("--config", folder / "service.toml").out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("else", "--config", "service.toml"), "site 'else' is not known"),
        (("home", "--config", "none.toml"), "there is no such file"),
        (("--readings", "log.csv"), "--site SITE.toml is missing"),
        (("--site", "sites/home.toml"), "--readings LOG is missing"),
        (("--readings", "none.csv", "--site", "sites/home.toml"), "none.csv"),
        (("--readings", "log.csv", "--site", "none.toml"), "none.toml"),
        (("else", "--readings", "log.csv", "--site", "sites/home.toml"), "describes site 'home'"),
        (("--readings", "bad.csv", "--site", "sites/home.toml"), "bad.csv"),
    ],
)
def test_bad_input_ends_with_2_and_one_clear_message(
    cli: Cli, folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(folder)
    (folder / "log.csv").write_text("time,pressure,heater\n1767571200,60,0\n1767571210,60,0\n")
    (folder / "bad.csv").write_bytes(b"\x00\xff\n\x01")
    code, out, err = cli(*arguments)
    assert code == 2
    assert out == ""
    assert said in err


def test_two_sites_must_be_told_apart(cli: Cli, folder: Path) -> None:
    (folder / "sites" / "other.toml").write_text(SITE.replace('id = "home"', 'id = "other"'))
    code, _, err = cli("--config", folder / "service.toml")
    assert code == 2
    assert "home" in err
    assert "other" in err
