"""Files and messages that the simulator makes, read back as any other program would."""

import csv
import gzip
import itertools
import json
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from monitor.readings import Point, default_topic
from simulator.__main__ import main
from simulator.catalogue import home
from simulator.faults import Fault, Kind
from simulator.files import site_toml, visits_csv, write_all
from simulator.player import Pace, batch_length, stream
from simulator.recording import Recording, Site, simulate
from simulator.scenario import demo_sites
from simulator.units import PSI

EPOCH = 1767571200.0
DAY = 86400.0


@pytest.fixture(scope="module")
def recording() -> Recording:
    faults = (
        Fault(Kind.HEATER_MISSING, 0.5, 0.1),
        Fault(Kind.TEAR, 0.6, 1.0),
        Fault(Kind.REPLACE, 0.8, 60 * PSI),
    )
    return simulate(home("files", *faults), 1, 1, EPOCH)


@pytest.mark.parametrize("form", ["csv", "csv.gz"])
def test_a_csv_log_reads_back(recording: Recording, tmp_path: Path, form: str) -> None:
    log = write_all(recording, tmp_path, form)
    text = gzip.decompress(log.read_bytes()).decode() if form == "csv.gz" else log.read_text()
    rows = list(csv.DictReader(text.splitlines()))
    assert len(rows) == len(recording.time)
    assert datetime.fromisoformat(rows[7]["time"]).timestamp() == recording.time[7]
    psi = np.array([float(row["pressure"]) for row in rows])
    assert np.abs(psi * PSI / 1e3 - recording.pressure).max() < 1e-3
    assert [row["heater"] == "" for row in rows] == np.isnan(recording.heater).tolist()
    assert float(rows[0]["temperature"]) == recording.temperature[0]


def test_a_parquet_log_reads_back(recording: Recording, tmp_path: Path) -> None:
    table = pyarrow.parquet.read_table(write_all(recording, tmp_path, "parquet"))
    assert table.column_names == ["time", "pressure", "heater", "temperature"]
    assert table["time"][0].as_py().timestamp() == EPOCH
    assert table["heater"].null_count == np.isnan(recording.heater).sum()


def test_site_file_says_what_the_plates_say() -> None:
    site = tomllib.loads(site_toml(home("riverside-12")))
    assert site["id"] == "riverside-12"
    assert site["unit"] == "psi"
    assert site["tank"] == {"volume": "8 L", "precharge": "60 psi"}
    assert site["heater"]["input"] == "11.7 kW"
    assert site["relief"]["setting"] == "150 psi"


def test_visit_book_tells_of_the_torn_tank_that_was_replaced(recording: Recording) -> None:
    assert visits_csv(recording) == (
        "time,precharge,supply,action,water_at_valve\n2026-01-05T19:52:00Z,60,60,replaced,true\n"
    )


def test_truth_is_in_utc_and_kpa(recording: Recording, tmp_path: Path) -> None:
    write_all(recording, tmp_path)
    truth = json.loads((tmp_path / "TRUTH.json").read_text())
    assert truth["span"] == {"start": "2026-01-05T00:00:00Z", "end": "2026-01-06T00:00:00Z"}
    assert {"kind": "tear", "time": "2026-01-05T14:24:00Z", "size": 1.0} in truth["faults"]
    assert truth["air_charge"][0]["kpa"] == pytest.approx(413.69, abs=0.01)


def test_messages_carry_every_reading_in_the_wire_form() -> None:
    """Two days in hours, against the reports that they were made of."""
    spec = home("wire")
    got: dict[str, list[tuple[float, float]]] = {}
    for batch in stream([spec], 1, EPOCH, EPOCH + 2 * DAY, 3600.0):
        for topic, payload in batch.messages:
            rows = json.loads(payload)
            assert {row["unit"] for row in rows} <= {"kPa", "degC", ""}
            got.setdefault(topic, []).extend((row["time"], row["value"]) for row in rows)
    reports = [report for _, report in itertools.islice(Site(spec, 1, EPOCH).days(), 2)]
    for point, factor in ((Point.PRESSURE, 1e3), (Point.HEATER, 1.0), (Point.TEMPERATURE, 1.0)):
        sent = np.array(got[default_topic("wire", point)])
        series = [getattr(report, str(point)) for report in reports]
        time = np.concatenate([s.time for s in series]) + EPOCH
        value = np.concatenate([s.value for s in series]) / factor
        assert np.abs(sent[:, 0] - time).max() < 0.001
        assert np.abs(sent[:, 1] - value).max() <= 0.0005 + 1e-9
        assert (np.diff(sent[:, 0]) > 0.0).all()


def test_states_go_before_the_pressure_of_their_stretch() -> None:
    """A reader must know whether the heater was on when the pressure of that time comes."""
    batch = next(stream([home("order")], 1, EPOCH, EPOCH + DAY, 3600.0))
    assert [topic.rsplit("/", 1)[1] for topic, _ in batch.messages] == ["heater", "temperature", "pressure"]


def test_sites_advance_together() -> None:
    specs = [site.spec for site in demo_sites()]
    for batch in itertools.islice(stream(specs, 1, EPOCH, EPOCH + DAY, 3600.0), 3):
        assert len(batch.messages) == 9
        for _, payload in batch.messages:
            times = [row["time"] for row in json.loads(payload)]
            assert batch.end - 3600.0 <= min(times) <= max(times) < batch.end


def test_the_stream_ends_on_time_or_goes_on_in_small_batches() -> None:
    last = list(stream([home()], 1, EPOCH, EPOCH + DAY, 3600.0))[-1]
    assert last.end == EPOCH + DAY
    on = itertools.islice(stream([home()], 1, EPOCH, EPOCH + DAY, 3600.0, after=10.0), 24, 26)
    assert [batch.end for batch in on] == [EPOCH + DAY + 10.0, EPOCH + DAY + 20.0]


def test_pace_is_fast_up_to_now_and_real_time_after() -> None:
    pace = Pace(began=100.0, epoch=EPOCH, speed=3600.0, until=EPOCH + DAY, wall=EPOCH + DAY - 100.0)
    assert pace.due(EPOCH + 3600.0) == pytest.approx(101.0)
    assert pace.due(EPOCH + DAY + 30.0) == pytest.approx(130.0)
    assert batch_length(0.0, 10.0) == 3600.0


def test_the_demo_tells_its_three_stories() -> None:
    """Air lost over weeks, a tear on day 20, a sound site; each with a readable site file."""
    leaking, torn, sound = demo_sites()
    assert len({site.id for site in demo_sites()}) == 3
    assert [tomllib.loads(site.toml)["id"] for site in demo_sites()] == [leaking.id, torn.id, sound.id]
    assert {tomllib.loads(site.toml)["unit"] for site in demo_sites()} == {"psi", "bar"}
    assert [f.kind for f in leaking.spec.faults] == [Kind.SEEP]
    assert [(f.kind, f.day) for f in torn.spec.faults] == [(Kind.TEAR, 20.0)]
    assert sound.spec.faults == ()


def test_write_makes_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "new" / "folder"
    assert (
        main(["write", "refill-holds", "--days", "1", "--out", str(out), "--interval", "60", "--unit", "bar"])
        == 0
    )
    assert sorted(path.name for path in out.iterdir()) == ["READINGS.csv", "SITE.toml", "TRUTH.json"]
    assert tomllib.loads((out / "SITE.toml").read_text())["unit"] == "bar"
    said = capsys.readouterr()
    assert said.out == ""
    assert "1440 readings of refill-holds" in said.err


def test_list_names_the_plants(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list"]) == 0
    assert "home-healthy" in capsys.readouterr().out.split()


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["write", "no-such-plant", "--out", "x"], "no-such-plant"),
        (["write", "torn", "--out", "x", "--days", "0"], "outside 1 to 3660"),
        (["write", "torn", "--out", "x", "--days", "many"], "is no int"),
        (["write", "torn", "--out", "x", "--start", "Monday"], "RFC 3339"),
        (["write", "torn", "--out", "x", "--unit", "furlong"], "furlong"),
        (["publish", "--port", "70000"], "outside 1 to 65535"),
    ],
)
def test_a_bad_argument_gets_one_clear_line(
    arguments: list[str], word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    assert word in capsys.readouterr().err


def test_a_folder_that_cannot_be_made_gets_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    assert main(["write", "torn", "--days", "1", "--out", str(tmp_path / "file")]) == 2
    said = capsys.readouterr().err
    assert str(tmp_path / "file") in said
    assert said.count("\n") == 1
