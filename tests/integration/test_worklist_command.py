"""The work list of a store with a torn diaphragm in it, by the command itself."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from icalendar import Calendar

from monitor.readings import Reading
from monitor.store.sqlite import SqliteStore
from tests.property.test_saved_laws import readings_of

SITE = """
id = "house"
name = "Weir Street 9"
customer = "Miller & Sons"
address = "Weir Street 9, Riverton"
unit = "psi"
[heater]
kind = "storage"
volume = "151 L"
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


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("service")
    for name in ("sites", "var"):
        (folder / name).mkdir()
    (folder / "sites" / "house.toml").write_text(SITE)
    (folder / "sites" / "new.toml").write_text('id = "new"\n')
    (folder / "service.toml").write_text('data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n')
    store = SqliteStore(folder / "var" / "cushionwatch.db")
    store.commit(
        [Reading("house", one.point, one.time, one.value) for one in readings_of("torn_day5", 4.0, 7.0)], []
    )
    store.close()
    return folder / "service.toml"


def run(config: Path, *options: str, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "worklist", "--config", str(config), *options],
        capture_output=True, text=True, check=False, env={"PATH": os.environ["PATH"], "HOME": str(config.parent)},
    )  # fmt: skip
    assert done.returncode == code, done.stderr
    return done.stdout + done.stderr if code else done.stdout


def test_people_read_where_to_go_what_to_do_and_what_to_bring(config: Path) -> None:
    text = " ".join(run(config).split())
    assert "1. URGENT Weir Street 9 (house): Call licensed help now, by " in text
    assert "(overdue)" in text
    assert "Where Miller & Sons, Weir Street 9, Riverton" in text
    assert "Bring pressure gauge for the air valve" in text
    assert "2 of 2 sites want a visit. Local codes" in text


def test_programs_read_the_same(config: Path) -> None:
    first, second = json.loads(run(config, "--as", "json"))
    assert (first["site"], first["faults"], second["site"]) == ("house", ["air_cushion_lost", "blind"], "new")
    rows = list(csv.DictReader(io.StringIO(run(config, "--as", "csv"))))
    assert [row["site"] for row in rows] == ["house", "new"]
    (entry,) = Calendar.from_ical(run(config, "--as", "ical")).walk("VEVENT")
    assert entry["location"] == "Weir Street 9, Riverton"


def test_one_customer_alone(config: Path) -> None:
    (job,) = json.loads(run(config, "--as", "json", "--customer", "Miller & Sons"))
    assert job["site"] == "house"
    said = run(config, "--customer", "Nobody", code=2)
    assert "no site has the customer 'Nobody'; known: 'Miller & Sons'" in said
    assert "Traceback" not in said
