"""The command line: exit codes, one clear message for each mistake, and the stable JSON form."""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from typer.main import get_command

from monitor.cli import files, logs
from monitor.cli.main import app, main
from monitor.service.settings import load_service
from monitor.site import VisitAction
from monitor.store.sqlite import SqliteStore
from monitor.web.png import png
from simulator.catalogue import PLANTS
from simulator.files import write_all
from simulator.recording import simulate

START = 1767571200.0  # 2026-01-05T00:00:00Z
SITE = """\
id = "riverside-12"
name = "Riverside Court"
timezone = "Europe/London"
unit = "psi"
[tank]
volume = "8 L"
precharge = "60 psi"
[relief]
setting = "140 psi"
"""
GAUGED = ("riverside-12", "--action", "gauged")
SERVICE = """\
data = "var"
sites = "sites"
[broker]
host = "127.0.0.1"
"""


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Outcome]


@pytest.fixture
def cli(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    monkeypatch.delenv("CUSHIONWATCH_CONFIG", raising=False)

    def run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["cushionwatch", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        found = capsys.readouterr()
        code = end.value.code
        assert "Traceback" not in found.err
        return Outcome(code if isinstance(code, int) else 0, found.out, found.err)

    return run


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "one.toml").write_text(SITE)
    path = tmp_path / "service.toml"
    path.write_text(SERVICE)
    return path


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write two days of a waterlogged home: a log, its site file and its visit book."""
    folder = tmp_path_factory.mktemp("home")
    write_all(simulate(PLANTS["waterlogged"](), 3, 1, START), folder, "csv")
    return folder


def test_examine_writes_one_object_of_the_stable_form(cli: Cli, home: Path) -> None:
    code, out, _ = cli("examine", home / "READINGS.csv", "--site", home / "SITE.toml", "--json")
    found: dict[str, Any] = json.loads(out, parse_constant=pytest.fail)
    assert list(found) == [
        "site", "span", "samples", "air_charge", "worst_case_peak_kpa", "findings", "blind", "forecast",
    ]  # fmt: skip
    assert found["site"] == "waterlogged"
    assert found["span"] == {"start": "2026-01-05T00:00:00Z", "end": "2026-01-07T23:59:50Z"}
    assert found["samples"] == 3 * 8640
    assert [set(one) for one in found["air_charge"]] == [{"time", "kpa", "low_kpa", "high_kpa"}] * len(
        found["air_charge"]
    )
    assert {one["time"][:10] for one in found["air_charge"]} >= {"2026-01-06", "2026-01-07"}
    assert code == (1 if found["findings"] else 0)
    assert "air_cushion_lost" in {one["fault"] for one in found["findings"]}
    for one in found["findings"]:
        assert list(one) == ["fault", "began", "raised", "ended", "severity", "why", "action", "evidence"]
        assert one["raised"].endswith("Z")


def test_examine_tells_people_in_the_unit_of_the_site(cli: Cli, home: Path, tmp_path: Path) -> None:
    visits = tmp_path / "visits.csv"
    visits.write_text("time,precharge,supply,action,water_at_valve\n2026-01-05T12:00:00Z,60,60,gauged,no\n")
    report, plot = tmp_path / "report.html", tmp_path / "plot.svg"
    code, out, err = cli(
        "examine", home / "READINGS.csv", "--site", home / "SITE.toml", "--visits", visits,
        "--report", report, "--plot", plot,
    )  # fmt: skip
    assert code == 1
    assert "Family home (waterlogged)" in out
    assert " psi" in out
    assert "Do first" in out
    assert f"written: {report}" in err
    assert ET.fromstring(plot.read_text()).tag == "{http://www.w3.org/2000/svg}svg"  # noqa: S314 - ours
    html = report.read_text()
    assert "Air cushion lost" in html
    assert "src=" not in html
    assert 'href="/' not in html


def test_what_nothing_measured_is_not_told_as_a_number(cli: Cli, home: Path, tmp_path: Path) -> None:
    log = tmp_path / "cold.csv"
    rows = "".join(f"{START + 10 * n:.0f},60,0\n" for n in range(1000))
    log.write_text(f"time,pressure,heater\n{rows}")
    arguments = ("examine", log, "--site", home / "SITE.toml")
    assert json.loads(cli(*arguments, "--json").out)["air_charge"]
    out = cli(*arguments).out
    assert "  Air charge   not weighed yet\n" in out
    assert "Forecast" not in out
    weighed = " ".join(cli("examine", home / "READINGS.csv", "--site", home / "SITE.toml").out.split())
    assert re.search(r"Air charge [-\d.]+ psi \(.*?\), 90 % interval, from \d+ heating windows?", weighed)


def test_a_plot_is_a_png_with_something_on_it(cli: Cli, home: Path, tmp_path: Path) -> None:
    plot = tmp_path / "plot.png"
    cli("examine", home / "READINGS.csv", "--site", home / "SITE.toml", "--plot", plot)
    assert plot.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert plot.stat().st_size > 10_000
    # Its letters are there, whatever fonts this machine has.
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="80" height="20">'
    lettered = f'{head}<text font-family="sans-serif" y="15">60 psi</text></svg>'
    assert png(lettered) != png(f"{head}</svg>")


@pytest.mark.parametrize(
    ("name", "text", "expected"),
    [
        ("none.csv", None, "there is no such file"),
        ("x.txt", "a", "allowed: a .csv, .csv.gz or .parquet file"),
        ("x.csv", "time,pressure\n1,2\n", "missing column 'heater'"),
        ("x.csv", "time,pressure,heater\nnoon,60,0\n", "no good row"),
        ("x.parquet", "no parquet", "cannot be read as a Parquet file"),
    ],
)
def test_a_bad_log_is_one_message_and_exit_code_2(
    cli: Cli, home: Path, tmp_path: Path, name: str, text: str | None, expected: str
) -> None:
    path = tmp_path / name
    if text is not None:
        path.write_text(text)
    code, out, err = cli("examine", path, "--site", home / "SITE.toml", "--json")
    assert (code, out) == (2, "")
    assert err.startswith("cushionwatch: ")
    assert expected in err


@pytest.mark.parametrize("option", ["--plot", "--report"])
def test_a_place_that_cannot_be_written_is_told(cli: Cli, home: Path, tmp_path: Path, option: str) -> None:
    missing = tmp_path / "nowhere" / "out.svg"
    code, _, err = cli("examine", home / "READINGS.csv", "--site", home / "SITE.toml", option, missing)
    assert code == 2
    assert f"{missing} cannot be written: No such file or directory" in err


@pytest.mark.parametrize(
    ("option", "name"),
    [
        *(("--report", name) for name in ("log.csv", "way/../log.csv", "site.toml", "visits.csv")),
        *((option, name) for option in ("--report", "--plot") for name in ("soft.svg", "hard.svg")),
    ],
)
def test_no_input_is_written_over(cli: Cli, tmp_path: Path, option: str, name: str) -> None:
    (tmp_path / "way").mkdir()
    log, site, visits = (tmp_path / kind for kind in ("log.csv", "site.toml", "visits.csv"))
    log.write_text("time,pressure,heater\n1,2,0\n")
    site.write_text(SITE)
    visits.write_text("time,action\n")
    before = [path.read_bytes() for path in (log, site, visits)]
    (tmp_path / "soft.svg").symlink_to(log)
    (tmp_path / "hard.svg").hardlink_to(log)
    out = tmp_path / name
    code, said, err = cli("examine", log, "--site", site, "--visits", visits, option, out)
    assert (code, said) == (2, "")
    assert f"cushionwatch: {out}: the file {tmp_path}" in err
    assert "would be lost: it is read here; give the result a name of its own" in err
    assert [path.read_bytes() for path in (log, site, visits)] == before


def test_one_result_is_not_written_over_the_other(cli: Cli, home: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.svg"
    arguments = (
        "examine",
        home / "READINGS.csv",
        "--site",
        home / "SITE.toml",
        "--plot",
        out,
        "--report",
        out,
    )
    code, _, err = cli(*arguments)
    assert code == 2
    assert "is written already" in err
    assert not out.exists()


def test_visits_after_the_end_of_the_log_are_told_once(cli: Cli, home: Path, tmp_path: Path) -> None:
    visits = tmp_path / "visits.csv"
    rows = ("2026-01-05T12:00:00Z", "2026-01-08T12:00:00Z", "2026-01-09T12:00:00+01:00")
    visits.write_text("time,precharge,action\n" + "".join(f"{when},60,gauged\n" for when in rows))
    arguments = ("examine", home / "READINGS.csv", "--site", home / "SITE.toml", "--visits", visits)
    told = f"{visits}: 2 of 3 visits after the end of the log, from 2026-01-08T12:00:00Z on, tell nothing about it"
    assert cli(*arguments).err.splitlines().count(told) == 1
    visits.write_text(f"time,precharge,action\n{rows[0]},60,gauged\n")
    assert "after the end" not in cli(*arguments).err


def test_a_plot_of_an_unknown_kind_is_told(cli: Cli, home: Path, tmp_path: Path) -> None:
    code, _, err = cli(
        "examine", home / "READINGS.csv", "--site", home / "SITE.toml", "--plot", tmp_path / "x.bmp"
    )
    assert code == 2
    assert "can be written as .png or .svg, not as '.bmp'" in err


def test_check_tells_every_problem(cli: Cli, config: Path) -> None:
    assert cli("check", "--config", config)[:2] == (0, f"{config} is right, and so is its site file.\n")
    config.write_text(SERVICE.replace("127.0.0.1", "mqtt://x") + "port = 0\n")
    (config.parent / "sites" / "one.toml").write_text(SITE.replace("8 L", "0 L"))
    code, out, err = cli("check", "--config", config)
    assert (code, out) == (2, "")
    assert f"{config}:4: broker.host" in err
    assert f"{config}:5: broker.port" in err
    assert "one.toml:6: tank.volume: read '0 L'" in err


COMMANDS = {
    "check": (), "run": (), "rejected": (), "gaps": (), "copy": (), "alert": (), "events": (), "performance": (),
    "worklist": (),
    "visit": ("riverside-12", "--action", "gauged"),
    "proof": ("riverside-12",), "advice": ("riverside-12",),
    "commission": ("riverside-12",), "backup": ("copy.db",), "restore": ("copy.db",),
    "export": ("riverside-12", "--out", "riverside.csv"),
}  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("named", [True, False], ids=["named", "not named"])
def test_a_missing_config_is_one_message_with_the_ways_out(
    cli: Cli, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, named: bool
) -> None:
    monkeypatch.chdir(tmp_path)
    option = ("--config", "none.toml") if named else ()
    code, out, err = cli(command, *COMMANDS[command], *option)
    assert (code, out) == (2, "")
    assert err == (
        f"cushionwatch: {'none.toml' if named else 'config/cushionwatch.toml'}: there is no such file; name your "
        "service file with --config FILE or in the environment variable CUSHIONWATCH_CONFIG\n"
    )


def test_the_config_is_found_in_its_place_by_the_environment_or_by_name(
    cli: Cli, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = config.parent / "config" / "cushionwatch.toml"
    place.parent.mkdir()
    place.write_text(SERVICE.replace('"sites"', '"../sites"'))
    monkeypatch.chdir(config.parent)
    assert cli("check").out.startswith("config/cushionwatch.toml is right")
    (place.parent / "var").mkdir()
    SqliteStore(place.parent / "var" / "cushionwatch.db").close()
    assert cli("rejected").out == "0 refused so far\n"
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", str(config))
    assert cli("check").out.startswith(f"{config} is right")
    assert cli("check", "-c", place).out.startswith(f"{place} is right")
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", "")
    assert cli("check").out.startswith("config/cushionwatch.toml is right")


def test_a_visit_is_logged_in_the_unit_of_the_site(cli: Cli, config: Path) -> None:
    done = cli(
        "visit", "riverside-12", "-c", config, "--action", "refilled", "--precharge", "60", "--supply", "4.2 bar",
        "--no-water-at-valve", "--at", "2026-01-05T00:00:00Z",
    )  # fmt: skip
    assert done.code == 0
    # 4.2 bar is 60.916 psi, NIST SP 811 B.8.
    assert done.out.splitlines() == [
        "Logged for Riverside Court (riverside-12):",
        "  Action      refilled",
        "  Air charge  60.0 psi",
        "  Supply      60.9 psi",
        "  Air valve   no water came from it",
        "  Time        5 Jan 2026, 00:00 GMT",
        "The running service takes it into account within seconds; one that is not running, at its start.",
    ]
    store = SqliteStore(config.parent / "var" / "cushionwatch.db")
    (logged,) = store.visits("riverside-12")
    store.close()
    # 60 psi, NIST SP 811 B.8
    assert (logged.time, logged.action, logged.water_at_valve) == (START, VisitAction.REFILLED, False)
    assert logged.precharge == pytest.approx(413_685.44, abs=0.01)
    assert logged.supply == pytest.approx(420_000)


def test_all_of_a_visit_is_logged_and_twice_is_once(cli: Cli, config: Path, tmp_path: Path) -> None:
    photo = tmp_path / "gauge.jpg"
    photo.write_bytes(b"\xff\xd8\xff a gauge")
    told = (
        "visit", "riverside-12", "-c", config, "--action", "replaced", "--found", "0", "--water-at-valve",
        "--leak", "no", "--tank-volume", "12 L", "--who", "A. Fitter", "--note", "rust", "--photo", photo,
        "--at", "2026-01-05T00:00:00Z",
    )  # fmt: skip
    done = cli(*told)
    assert done.code == 0
    for line in ("Found       0.0 psi", "Leak        none seen", "By          A. Fitter", "Photos      1"):
        assert f"  {line}\n" in done.out
    assert "Without the charge that it left, nobody can prove later that it held." in done.out
    assert "write 12 L there (tank.volume)" in done.out
    assert cli(*told).code == 0
    other = cli(*told, "--precharge", "60")
    assert other.code == 2
    assert "is logged for this moment already" in other.err
    store = SqliteStore(config.parent / "var" / "cushionwatch.db")
    assert [one.precharge for one in store.visits("riverside-12")] == [None]
    assert [one.kind for one in store.photos("riverside-12")] == ["jpeg"]
    store.close()


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("nowhere", "--action", "gauged"), "site 'nowhere' is not known"),
        (("riverside-12", "--action", "gauged", "--supply", "60"), "--precharge is needed for gauged"),
        (("riverside-12", "--precharge", "60"), "--action is needed: gauged, refilled, replaced, looked"),
        (("riverside-12", "--action", "looked"), "there is nothing to log"),
        ((*GAUGED, "--precharge", "60", "--photo", "no/such.png"), "--photo no/such.png cannot be read"),
        ((*GAUGED, "--precharge", "sixty"), "--precharge 'sixty'"),
        (
            (*GAUGED, "--precharge", "60 bar"),
            "allowed: 0 bar to 10 bar; pressures are gauge: is the unit right",
        ),
        ((*GAUGED, "--precharge", "146 psi"), "allowed: 0 bar to 10 bar"),  # 10.07 bar
        ((*GAUGED, "--precharge", "140.1"), "above the relief setting of this site, 140.0 psi"),
        (
            (*GAUGED, "--precharge", "60", "--supply", "9.7 bar"),
            "--supply '9.7 bar': above the relief setting",
        ),
        ((*GAUGED, "--precharge", "60", "--supply", "60 furlong"), "'furlong'"),
        ((*GAUGED, "--precharge", "60", "--at", "2026-01-05T00:00:00"), "has no offset"),
        ((*GAUGED, "--precharge", "60", "--at", "yesterday"), "is no time"),
        ((*GAUGED, "--precharge", "60", "--at", "2999-01-05T00:00:00Z"), "between 1970 and now"),
        (("riverside-12", "--action", "polished"), "polished"),
    ],
)
def test_a_wrong_visit_is_refused(cli: Cli, config: Path, arguments: tuple[str, ...], expected: str) -> None:
    code, out, err = cli("visit", *arguments, "-c", config)
    assert (code, out) == (2, "")
    assert expected in err
    assert not (config.parent / "var").exists()


def test_refused_payloads_are_listed_without_obeying_them(cli: Cli, config: Path) -> None:
    from monitor.readings import Rejected  # noqa: PLC0415

    (config.parent / "var").mkdir()
    store = SqliteStore(config.parent / "var" / "cushionwatch.db")
    store.commit([], [Rejected(START, f"t{n}", "is no number", b"\x1b[2J\xff") for n in range(3)])
    store.close()
    code, out, _ = cli("rejected", "-c", config, "--limit", "2")
    assert code == 0
    assert "2026-01-05T00:00:00Z  't2'  is no number\n    b'\\x1b[2J\\xff'\n" in out
    assert out.endswith("3 refused so far; the newest 2 are above\n")


@pytest.mark.parametrize(
    "arguments",
    [
        ("advice", "riverside-12"),
        ("backup", "copy.db"),
        ("copy",),
        ("events",),
        ("events", "acknowledge", "1", "--who", "Ada"),
        ("export", "riverside-12", "--out", "out.csv"),
        ("gaps",),
        ("performance",),
        ("proof", "riverside-12"),
        ("rejected",),
        ("worklist",),
    ],
    ids=" ".join,
)
def test_a_folder_without_a_store_is_told_and_stays_without(
    cli: Cli, config: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    config.write_text(SERVICE + '[timeseries]\nurl = "http://127.0.0.1:9"\nbucket = "b"\n')
    monkeypatch.chdir(config.parent)
    code, out, err = cli(*arguments, "-c", config)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert f"there is no store in {config.parent / 'var'} yet: the service makes it" in err
    assert not (config.parent / "var").exists()


def test_test_alerts_say_of_each_channel_whether_it_went_out(cli: Cli, config: Path) -> None:
    assert "no channel is configured" in cli("alert", "--test", "-c", config).err
    config.write_text(
        SERVICE
        + '[alerts.channels.desk]\nurl = "terminal://"\n[alerts.channels.web]\nurl = "json://127.0.0.1:9/s3cret"\n'
    )
    code, out, err = cli("alert", "--test", "-c", config)
    assert code == 1
    assert "[TEST]" in out
    assert "desk: went out" in out
    assert "web: did NOT go out" in out
    assert "s3cret" not in out + err


def test_an_explained_alert_says_who_is_told_when_in_which_words(cli: Cli, config: Path) -> None:
    people = (
        '[people.anna]\nurl = "json://127.0.0.1:9/s3cret"\nquiet = "22:00 - 07:00"\n'
        '[people.boss]\nurl = "json://127.0.0.1:9/s3cret"\nlanguage = "de"\n'
        '[[alerts.rules]]\ntell = ["anna"]\nthen = ["boss"]\nfaults = ["relief_discharging"]\n'
    )
    config.write_text(SERVICE + people)
    site = next(iter(load_service(config).sites))
    code, out, _ = cli("alert", "--explain", site, "--fault", "relief_discharging", "-c", config)
    assert code == 0
    assert "anna: at once, also in quiet hours\n\n    [URGENT]" in out
    assert "boss: if nobody has acknowledged it after 24 hours\n\n    [DRINGEND]" in out
    assert "Never plug, cap or shut off a relief valve" in out
    assert "s3cret" not in out
    code, out, _ = cli("alert", "--explain", site, "--fault", "blind", "-c", config)
    assert (code, "NOBODY would be told" in out) == (1, True)
    for wrong, words in (
        (("--explain", "x"), f"known: {site}"),
        (("--explain", site, "--fault", "x"), "known: air_charge_low"),
        (("--explain", site, "--priority", "x"), "allowed: high, medium, low"),
    ):
        code, _, err = cli("alert", *wrong, "-c", config)
        assert (code, words in err) == (2, True)
    config.write_text(SERVICE + people.replace('"de"', '"xx"'))
    assert "no texts in the language 'xx'" in cli("check", "-c", config).err


def test_a_bare_command_and_help_show_all_commands_without_loading_them() -> None:
    slow = "numpy,pydantic,fastapi,pyarrow,apsw,paho,apprise,CoolProp,jinja2"
    code = f"import sys; import monitor.cli.main; print([m for m in '{slow}'.split(',') if m in sys.modules])"
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        == "[]\n"
    )


WITHOUT_CONFIG = {"demo", "examine", "neglected", "size"}


@pytest.mark.parametrize("command", sorted({*COMMANDS, *WITHOUT_CONFIG}))
def test_each_command_explains_itself(cli: Cli, command: str) -> None:
    code, out, _ = cli(command, "--help")
    assert code == 0
    assert f"cushionwatch {command}" in " ".join(out.split())
    assert command == "demo" or "Example:" in out
    if command not in WITHOUT_CONFIG:
        assert "CUSHIONWATCH_CONFIG" in out
        assert "config/cushionwatch.toml" in out
    assert command in cli("--help").out


def test_no_command_is_left_out_of_these_lists() -> None:
    assert set(get_command(app).commands) == {*COMMANDS, *WITHOUT_CONFIG}  # type: ignore[attr-defined]


def test_a_log_entry_is_one_line_whatever_is_in_it() -> None:
    record = logging.LogRecord("x", logging.WARNING, "", 0, "topic %s", ("a\nERROR forged\x1b[2J\x85",), None)
    record.created = START
    assert (
        logs.OneLine().format(record)
        == "2026-01-05T00:00:00Z WARNING x: topic a\\x0aERROR forged\\x1b[2J\\x85"
    )


def test_thinning_keeps_the_peaks() -> None:
    time, values = np.arange(100_000.0), np.zeros(100_000)
    values[77_777], values[3] = 9.0, -9.0
    kept_time, kept = files.thin(time, values, 1000)
    assert len(kept) <= 1000
    assert (kept.max(), kept.min()) == (9.0, -9.0)
    assert (np.diff(kept_time) > 0).all()


@pytest.mark.parametrize(
    ("words", "unbuffered"), [(["--help"], "1"), (["neglected"], ""), (["neglected", "--json"], "1")]
)
def test_output_that_cannot_be_written_is_one_line(words: list[str], unbuffered: str) -> None:
    """A full disk, as the kernel plays it: whether the text is short enough to wait in a buffer or not."""
    env = {**os.environ, "PYTHONUNBUFFERED": unbuffered}
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "monitor", *words],
            env=env,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == "cushionwatch: the output cannot be written: No space left on device\n"
