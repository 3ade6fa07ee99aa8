"""``cushionwatch gaps`` and what was told twice: lists, the JSON form, exit codes and one message for a mistake."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pyarrow.csv
import pyarrow.parquet
import pytest

from monitor.cli.main import main
from monitor.readings import Origin, Point, Reading
from monitor.store.sqlite import SqliteStore
from monitor.units import KPA, PSI

START = 1767571200.0  # 2026-01-05T00:00:00Z
SERVICE = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Outcome]


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    (tmp_path / "sites").mkdir()
    for site in ("home", "mill"):
        (tmp_path / "sites" / f"{site}.toml").write_text(f'id = "{site}"\nunit = "psi"\n')
    (tmp_path / "service.toml").write_text(SERVICE)
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", str(tmp_path / "service.toml"))

    def run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["cushionwatch", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        found = capsys.readouterr()
        assert "Traceback" not in found.err
        return Outcome(end.value.code if isinstance(end.value.code, int) else 0, found.out, found.err)

    return run


def reading(device: str, number: int, time: float, site: str, heard: float | None = None) -> Reading:
    arrived = START + (time if heard is None else heard)
    return Reading(site, Point.PRESSURE, START + time, 2.0 * PSI / KPA, Origin(device, "b1", number, arrived))


@pytest.fixture
def filled(tmp_path: Path) -> None:
    (tmp_path / "var").mkdir()
    store = SqliteStore(tmp_path / "var" / "cushionwatch.db")
    store.commit([reading("pump", 1, 0.0, "home"), reading("pump", 5, 40.0, "home")], [])
    store.commit([reading("pump", 3, 20.0, "home", 50.0)], [])
    store.commit([reading("pump", 6, 10.0, "home", 60.0)], [])
    store.commit([reading("gateway", 7, 0.0, "mill"), reading("gateway", 8, 1.0, "mill")], [])
    store.close()


def test_gaps_and_set_back_clocks_are_listed(cli: Cli, filled: None) -> None:
    code, out, _ = cli("gaps")
    assert code == 1
    assert out == (
        "state   device  boot  first  last  count  noticed               filled or lost\n"
        "open    pump    b1    2      2     1      2026-01-05T00:00:40Z\n"
        "filled  pump    b1    3      3     1      2026-01-05T00:00:40Z  2026-01-05T00:00:50Z\n"
        "open    pump    b1    4      4     1      2026-01-05T00:00:40Z\n"
        "\n"
        "clock of  boot  set back at  from                  to                    noticed\n"
        "pump      b1    6            2026-01-05T00:00:40Z  2026-01-05T00:00:10Z  2026-01-05T00:01:00Z\n"
        "\n"
        "2 missing in 2 open gaps, 0 lost; clocks were set back 1 times, 1 readings told twice\n"
    )
    assert cli("gaps", "home").out == out
    assert cli("gaps", "--limit", "1").out.endswith("told twice; only the newest are above\n")


def test_a_site_whose_devices_lack_nothing_ends_well(cli: Cli, filled: None) -> None:
    none = "0 missing in 0 open gaps, 0 lost; clocks were set back 0 times, 0 readings told twice\n"
    assert cli("gaps", "mill")[:2] == (0, none)


def test_the_json_form(cli: Cli, filled: None) -> None:
    code, out, _ = cli("gaps", "--json")
    found = json.loads(out)
    assert code == 1
    assert found["counts"] == {"open_gaps": 2, "missing": 2, "lost": 0, "set_backs": 1, "retold": 1}
    assert found["gaps"][1] == {
        "device": "pump",
        "boot": "b1",
        "first": 3,
        "last": 3,
        "count": 1,
        "state": "filled",
        "noticed": "2026-01-05T00:00:40Z",
        "settled": "2026-01-05T00:00:50Z",
    }
    assert found["gaps"][0]["settled"] is None
    assert found["set_backs"] == [
        {
            "device": "pump",
            "boot": "b1",
            "sequence": 6,
            "from": "2026-01-05T00:00:40Z",
            "to": "2026-01-05T00:00:10Z",
            "noticed": "2026-01-05T00:01:00Z",
        }
    ]


def test_an_unknown_site_and_a_missing_file_are_one_message(
    cli: Cli, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, out, err = cli("gaps", "nowhere")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "site 'nowhere' is not known; known in" in err
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", "none.toml")
    assert cli("gaps").code == 2


@pytest.mark.parametrize("form", ["csv", "csv.gz", "parquet"])
def test_what_was_told_twice_can_be_written(cli: Cli, filled: None, tmp_path: Path, form: str) -> None:
    out = tmp_path / f"twice.{form}"
    assert cli("export", "home", "--retold", "--out", out).code == 0
    table = pyarrow.parquet.read_table(out) if form == "parquet" else pyarrow.csv.read_csv(out)
    (row,) = table.to_pylist()
    assert row["time"].timestamp() == START + 10.0
    del row["time"]
    assert row == {"point": "pressure", "value": 2.0, "device": "pump", "boot": "b1", "sequence": 6}


def test_where_nothing_was_told_twice_no_file_is_written(cli: Cli, filled: None, tmp_path: Path) -> None:
    code, _, err = cli("export", "mill", "--retold", "--out", tmp_path / "x.csv")
    assert code == 2
    assert "nothing is written" in err
    assert not (tmp_path / "x.csv").exists()
    assert "can be written as .csv" in cli("export", "home", "--retold", "--out", tmp_path / "x.doc").err
