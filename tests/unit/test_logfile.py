"""Logs of readings and visits: every form that is allowed, every refusal with its place and a way out."""

import gzip
import math
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor.errors import ReadingsFileError
from monitor.ingest.logfile import read_log, read_visits
from monitor.ingest.payload import Decoder
from monitor.service.pipeline import Aligner, hold, to_samples
from monitor.service.ports import Message
from monitor.site import Site, Visit, VisitAction

START = datetime(2026, 1, 31, 6, 0, 0, tzinfo=UTC).timestamp()
GOOD = "time,pressure,heater\n2026-01-31T06:00:00Z,60,0\n2026-01-31T06:00:10Z,61,1\n"


def write(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refusal(path: Path, unit: str = "psi") -> str:
    with pytest.raises(ReadingsFileError) as caught:
        read_log(path, unit)
    message = str(caught.value)
    assert message.startswith(str(path))
    return message.removeprefix(str(path)).lstrip(": ")


def test_a_csv_log_is_read_into_kpa_gauge(tmp_path):
    """60 psi = 413.685 kPa: NIST SP 811 (2008), B.8."""
    samples, notes, _ = read_log(write(tmp_path, GOOD), "psi")
    assert notes == []
    assert samples.time.tolist() == [START, START + 10]
    assert samples.pressure == pytest.approx([413.6854, 420.5802], abs=1e-4)
    assert samples.heater.tolist() == [0, 1]
    assert np.isnan(samples.temperature).all()


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-01-31T06:00:00Z",
        "2026-01-31t06:00:00z",
        "2026-01-31 06:00:00Z",
        "2026-01-31T08:00:00+02:00",
        "2026-01-31T01:30:00.000-04:30",
        "2026-01-31T06:00:00.000000000Z",
        f"{START:.0f}",
        f"{START:.3f}",
        f"{START:.9e}",
    ],
)
def test_time_stamps_may_be_written_in_these_ways(tmp_path, stamp):
    samples, notes, _ = read_log(write(tmp_path, f"time,pressure,heater\n{stamp},1,0\n"), "bar")
    assert (samples.time.tolist(), notes) == ([START], [])


def test_the_forms_may_be_mixed_and_heater_states_be_words(tmp_path):
    text = (
        "note,time,heater,pressure,temperature\n"
        f"x,{START},on,1,54.5\ny,2026-01-31T06:00:10Z,OFF,2,\n"
        f"z,{START + 20},True,3,\n,{START + 30},false,4,\n,{START + 40},,5,\n,{START + 50},11700,6,21\n"
    )
    samples, notes, _ = read_log(write(tmp_path, text), "kPa")
    assert samples.time.tolist() == [START + 10 * i for i in range(6)]
    assert samples.pressure.tolist() == [1, 2, 3, 4, 5, 6]
    assert samples.heater == pytest.approx([1, 0, 1, 0, math.nan, 11700], nan_ok=True)
    assert samples.temperature == pytest.approx([54.5, *[math.nan] * 4, 21], nan_ok=True)
    assert notes == ["columns not used: note"]


def test_bad_rows_cost_only_themselves_and_are_told_with_their_line(tmp_path):
    rows = [
        f"{START},1,0",  # line 2
        "yesterday,1,0",
        "2026-01-31T06:00:00,1,0",
        f"{START * 1000:.0f},1,0",
        f"{START + 1},x,0",
        f"{START + 2},,0",
        f"{START + 3},nan,0",
        f"{START + 4},inf,0",
        f"{START + 5},-101.4,0",
        f"{START + 6},10001,0",
        f"{START + 7},1,maybe",
        f"{START + 8},1,-1",
        f"{START + 9},1,0,9",
        "",
        f"{START + 10},1_0,0",
        ",5,0",
        f"{START + 11},2,0",
    ]
    text = "time,pressure,heater\n" + "\n".join(rows) + "\n"
    samples, notes, _ = read_log(write(tmp_path, text), "kPa")
    assert samples.pressure.tolist() == [1, 1, 1, 2]
    assert notes[0].startswith("2 heater cells of 4 ")
    assert notes[0].endswith("; first: line 12: heater 'maybe' is not allowed: 0, 1, watts, on or off")
    assert notes[1] == "12 of 16 rows were refused"
    told = dict(note.split(": ", 1) for note in notes[2:])
    expected = {
        "line 3": "neither RFC 3339",
        "line 4": "no UTC offset",
        "line 5": "milliseconds?",
        "line 6": "pressure 'x' is no number",
        "line 7": "no pressure",
        "line 8": "pressure 'nan' is no number",
        "line 9": "outside -101.325 to 10000 kPa gauge",
        "line 10": "outside -101.325 to 10000 kPa gauge",
        "line 11": "outside -101.325 to 10000 kPa gauge",
        "line 14": "4 cells where the header has 3",
        "line 16": "pressure '1_0' is no number",
        "line 17": "no time",
    }
    assert told.keys() == expected.keys()
    assert [place for place, words in expected.items() if words not in told[place]] == []


def test_a_bad_temperature_or_heater_costs_only_its_cell_and_is_counted(tmp_path):
    """-127 is what a common digital thermometer says when its wire has come off."""
    rows = [
        "1,0,-127",  # line 2
        "2,0,warm",
        "x,0,900",  # its row is refused for the pressure: told once
        "4,perhaps,54",
        "5,1,nan",
        "6,1,",
    ]
    text = "".join(f"{START + i},{row}\n" for i, row in enumerate(rows))
    samples, notes, _ = read_log(write(tmp_path, f"time,pressure,heater,temperature\n{text}"), "kPa")
    nan = math.nan
    assert samples.pressure.tolist() == [1, 2, 4, 5, 6]
    assert samples.heater == pytest.approx([0, 0, nan, 1, 1], nan_ok=True)
    assert samples.temperature == pytest.approx([nan, nan, 54, nan, nan], nan_ok=True)
    left_out = "cannot be true and were left out, the rest of their rows counts; first: line"
    assert notes == [
        f"1 heater cells of 5 {left_out} 5: heater 'perhaps' is not allowed: 0, 1, watts, on or off",
        f"3 temperature cells of 5 {left_out} 2: temperature '-127' is not allowed: -50 to 200 °C, or nothing",
        "1 of 6 rows were refused",
        "line 4: pressure 'x' is no number",
    ]


def test_numbers_of_a_parquet_file_that_cannot_be_true_cost_only_their_cell(tmp_path):
    path = parquet(
        tmp_path,
        time=pa.array([START, START + 1]),
        pressure=pa.array([1.0, 2.0]),
        heater=pa.array([-1.0, 1.0]),
        temperature=pa.array([54.0, -127.0]),
    )
    samples, notes, _ = read_log(path, "bar")
    assert samples.heater == pytest.approx([math.nan, 1], nan_ok=True)
    assert samples.temperature == pytest.approx([54, math.nan], nan_ok=True)
    assert [note.split(" cells")[0] for note in notes] == ["1 heater", "1 temperature"]


@pytest.mark.parametrize("bad", ["-127", "201", "NaN", "1e999"])
def test_a_bad_temperature_leaves_the_same_rows_live_and_offline(tmp_path, bad):
    """What the message loses the log loses too: the value alone, never the pressure beside it."""
    cells = [("1", "0", "54"), ("2", "0", bad), ("3", "1", "55")]
    decoder, aligner, rows = Decoder({"a": Site("a")}), Aligner(), []
    for i, (pressure, heater, temperature) in enumerate(cells):
        for point, value in (("temperature", temperature), ("heater", heater), ("pressure", pressure)):
            payload = f'{{"time": {START + i}, "value": {value}}}'.encode()
            readings, _ = decoder.decode(Message(f"cushionwatch/a/{point}", payload, START + i))
            rows += [row for reading in readings for row in aligner.add(reading)]
    live = to_samples(rows + aligner.reach(START + 3))
    text = "".join(f"{START + i},{','.join(row)}\n" for i, row in enumerate(cells))
    logged = hold(read_log(write(tmp_path, f"time,pressure,heater,temperature\n{text}"), "kPa").samples)
    for one in (live, logged):
        assert one.pressure.tolist() == [1, 2, 3]
        assert one.heater.tolist() == [0, 0, 1]
        assert one.temperature.tolist() == [54, 54, 55]


def test_many_bad_rows_are_counted_but_told_only_in_part(tmp_path):
    rows = "".join(f"{START + i},{'x' if i % 2 else 1},0\n" for i in range(1000))
    samples, notes, _ = read_log(write(tmp_path, f"time,pressure,heater\n{rows}"), "kPa")
    assert len(samples) == 500
    assert notes[0] == "500 of 1000 rows were refused"
    assert notes[1:21] == [f"line {3 + 2 * i}: pressure 'x' is no number" for i in range(20)]
    assert notes[21:] == ["and 480 more"]


def test_rows_out_of_order_are_sorted_and_the_first_of_equal_stamps_is_kept(tmp_path):
    rows = [(5, 50), (1, 10), (3, 30), (1, 11), (4, 40), (3, 31)]
    text = "time,pressure,heater\n" + "".join(f"{START + t},{p},0\n" for t, p in rows)
    samples, notes, _ = read_log(write(tmp_path, text), "kPa")
    assert (samples.time - START).tolist() == [1, 3, 4, 5]
    assert samples.pressure.tolist() == [10, 30, 40, 50]
    assert "3 steps back" in notes[0]
    assert notes[1].startswith("2 rows had the time stamp of another row")


def test_gzip_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    text = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    path = write(tmp_path, gzip.compress(text), "log.CSV.GZ")
    assert read_log(path, "psi").samples.time.tolist() == [START, START + 10]


def parquet(folder: Path, **columns: pa.Array) -> Path:
    path = folder / "log.parquet"
    pq.write_table(pa.table(columns), path)
    return path


STAMPS = [datetime.fromtimestamp(START + i, timezone(timedelta(hours=5))) for i in range(2)]


@pytest.mark.parametrize(
    ("time", "notes"),
    [
        (pa.array(STAMPS, pa.timestamp("us", tz="Asia/Karachi")), []),
        (pa.array(STAMPS, pa.timestamp("ns", tz="UTC")), []),
        (pa.array(STAMPS, pa.timestamp("ms")), ["times without a zone were read as UTC"]),
        (pa.array([START, START + 1]), []),
        (pa.array([int(START), int(START) + 1]), []),
        (pa.array([stamp.isoformat() for stamp in STAMPS]), []),
        (pa.array([stamp.isoformat() for stamp in STAMPS], pa.large_string()), []),
    ],
)
@pytest.mark.parametrize(
    "heater",
    [
        pa.array([True, False]),
        pa.array([1, 0], pa.int8()),
        pa.array([1.0, 0.0], pa.float32()),
        pa.array(["on", "off"]),
        pa.array(["on", "off"]).dictionary_encode(),
    ],
)
def test_parquet_columns_may_have_these_types(tmp_path, time, notes, heater):
    path = parquet(tmp_path, time=time, pressure=pa.array([1.5, 2.5], pa.float32()), heater=heater)
    samples, told, _ = read_log(path, "bar")
    assert samples.time.tolist() == [START, START + 1]
    assert samples.pressure.tolist() == [150, 250]
    assert samples.heater.tolist() == [1, 0]
    assert told == notes


def test_bad_rows_of_a_parquet_file_are_told_by_row(tmp_path):
    path = parquet(
        tmp_path,
        time=pa.array([START, START + 1, None, START + 3]),
        pressure=pa.array([1.0, math.nan, 3.0, 4.0]),
        heater=pa.array([0.0, 0.0, 0.0, math.nan]),
        temperature=pa.array([math.nan, 1.0, 1.0, None]),
    )
    samples, notes, _ = read_log(path, "bar")
    assert samples.time.tolist() == [START, START + 3]
    assert np.isnan(samples.heater[1])
    assert notes == ["2 of 4 rows were refused", "row 2: pressure nan is no number", "row 3: no time"]


def test_a_parquet_column_of_another_kind_is_refused(tmp_path):
    two = pa.array([1.0, 2.0])
    path = parquet(tmp_path, time=two, pressure=pa.array([[1.0], [2.0]]), heater=two)
    assert "column 'pressure' holds list<" in refusal(path)
    path = parquet(tmp_path, time=two, pressure=pa.array([True, False]), heater=two)
    assert "column 'pressure' holds bool; allowed: numbers, text" in refusal(path)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("log.csv", b"", "the file is empty; needed: a header"),
        ("log.csv", b"time,pressure,heater\n", "no good row; the file holds a header and nothing else"),
        (
            "log.csv",
            b"time,pressure,heater\n1,x,0\n",
            "no good row; first: line 2: pressure 'x' is no number",
        ),
        ("log.csv", b"\n\n\n", "missing column 'time', 'pressure', 'heater'; read: nothing"),
        ("log.csv", b"time,heater\n1,2\n", "missing column 'pressure'; read: 'time', 'heater'; needed: time"),
        ("log.csv", b"Time,presure,heater\n1,2,0\n", "rename 'presure' to 'pressure'"),
        ("log.csv", b"time;pressure;heater\n1;2;0\n", "separate the columns by commas"),
        ("log.csv", b"time,pressure,pressure,heater\n1,2,3,0\n", "column 'pressure' stands there twice"),
        ("log.csv", "time,pressure,heater\n1,2,0\n".encode("utf-16"), "not UTF-8 text"),
        ("log.csv", "time,pressure,heater\n1,2,0\n".encode("utf-16-le"), "zero bytes, as in UTF-16"),
        ("log.csv", b"time,pressure,heater\n1,2,\xfc\n", "not UTF-8 text"),
        ("log.csv.gz", GOOD.encode(), "cannot be read as a CSV log"),
        ("log.csv.gz", gzip.compress(GOOD.encode() * 999)[:-20], "cannot be read as a CSV log"),
        ("log.parquet", GOOD.encode(), "cannot be read as a Parquet file"),
        ("log.parquet", b"PAR1" + b"\0" * 99 + b"PAR1", "cannot be read as a Parquet file"),
        (
            "log.xlsx",
            b"PK",
            "cannot tell what kind of log this is; allowed: a .csv, .csv.gz or .parquet file",
        ),
    ],
)
def test_files_that_cannot_be_used_are_told_with_a_way_out(tmp_path, name, content, words):
    assert words in refusal(write(tmp_path, content, name))


def test_a_cut_or_garbled_parquet_file_never_ends_in_another_error(tmp_path):
    rows = 5000
    path = parquet(
        tmp_path,
        time=pa.array(np.arange(rows) + START),
        pressure=pa.array(np.arange(rows) * 0.01),
        heater=pa.array(np.zeros(rows)),
    )
    whole = path.read_bytes()
    for cut in range(0, len(whole) - 1, len(whole) // 25):
        assert "cannot be read" in refusal(write(tmp_path, whole[:cut] or b"P", "cut.parquet"))
    garbled = bytearray(whole)
    garbled[200:4000] = bytes(3800)
    with pytest.raises(ReadingsFileError):
        read_log(write(tmp_path, bytes(garbled), "garbled.parquet"), "bar")


def test_missing_files_folders_and_unknown_units_are_told(tmp_path):
    assert refusal(tmp_path / "nothing.csv") == "there is no such file"
    assert "this is a folder" in refusal(tmp_path)
    assert "unit 'atm' is not known for a pressure: allowed are psi, bar" in refusal(
        write(tmp_path, GOOD), "atm"
    )


def test_a_large_file_without_a_good_row_is_given_up(tmp_path):
    path = write(tmp_path, "time,pressure,heater\n" + "x,1,0\n" * 200_000)
    assert refusal(path).startswith("no good row; first: line 2: time 'x'")


VISITS = """time,precharge,supply,action,water_at_valve
2026-02-03T10:00:00+01:00,75,75,refilled,no
2026-01-31T06:00:00Z,10.5,,gauged,
1801476000,75,74,replaced,YES
"""


def test_visits_are_read_oldest_first_in_pascal(tmp_path):
    visits = read_visits(write(tmp_path, VISITS, "visits.csv"), "psi")
    assert visits[0] == Visit(START, VisitAction.GAUGED, pytest.approx(72394.95, rel=1e-6), None, None)
    assert visits[1].time == datetime(2026, 2, 3, 9, tzinfo=UTC).timestamp()
    assert [visit.action for visit in visits] == [
        VisitAction.GAUGED,
        VisitAction.REFILLED,
        VisitAction.REPLACED,
    ]
    assert [visit.water_at_valve for visit in visits] == [None, False, True]
    assert visits[2].supply == pytest.approx(510212.0, rel=1e-6)


def test_more_of_a_visit_may_stand_in_further_columns(tmp_path):
    text = (
        "time,action,found,precharge,leak,tank_volume,who,note\n"
        f'{START},replaced,10,60,at the joint,12,A. Fitter,"rust, much"\n{START + 1},looked,,,no,,,\n'
    )
    first, second = read_visits(write(tmp_path, text, "visits.csv"), "psi")
    assert first.found == pytest.approx(68947.6, abs=0.1)  # 10 psi, NIST SP 811 B.8
    assert (first.leak, first.tank_volume, first.who, first.note) == (
        "at the joint",
        0.012,
        "A. Fitter",
        "rust, much",
    )
    assert second == Visit(START + 1, VisitAction.LOOKED, leak="")
    with pytest.raises(
        ReadingsFileError, match="line 2: tank_volume '0' is not allowed; write the whole volume in L"
    ):
        read_visits(write(tmp_path, f"time,action,tank_volume\n{START},replaced,0\n", "visits.csv"), "psi")


def test_columns_of_visits_that_are_not_known_may_be_left_out(tmp_path):
    path = write(tmp_path, f"action,time\ngauged,{START}\n\n", "visits.csv")
    assert read_visits(path, "psi") == [Visit(START, VisitAction.GAUGED)]
    assert read_visits(write(tmp_path, "action,time\n", "none.csv"), "psi") == []


def test_all_bad_visits_are_told_at_once(tmp_path):
    text = (
        "time,precharge,supply,action,water_at_valve\n"
        "yesterday,1,1,gauged,\n2026-01-31T06:00:00,1,1,gauged,\n1,x,1,gauged,\n1,-1,1,gauged,\n"
        "1,1,60 psi,gauged,\n1,1,1,pumped,\n1,1,1,gauged,perhaps\n1,1,1,gauged,no,9\n1,nan,1,gauged,no\n"
    )
    path = write(tmp_path, text, "visits.csv")
    with pytest.raises(ReadingsFileError) as caught:
        read_visits(path, "psi")
    told = [line.removeprefix(f"{path}: ") for line in str(caught.value).splitlines()]
    words = [
        "time 'yesterday'",
        "with an offset",
        "precharge 'x'",
        "precharge '-1'",
        "supply '60 psi'",
        "allowed: gauged, refilled, replaced, looked",
        "write yes, no or nothing",
        "more cells",
        "precharge 'nan'",
    ]
    assert [line.split(":")[0] for line in told] == [f"line {n}" for n in range(2, 11)]
    assert [word for line, word in zip(told, words, strict=True) if word not in line] == []


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "line 1: missing column 'time', 'action'; read: nothing"),
        (b"time,precharge\n", "missing column 'action'; read: 'time', 'precharge'"),
        (b"time,action,suply\n", "unknown column 'suply'"),
        (b"time,action,suply\n", "did you mean 'supply'?"),
        (b"time,action\n1,gau\xfcged\n", "not UTF-8 text"),
        (b'time,action\n1,"gauged\n', "no valid CSV"),
    ],
)
def test_visit_files_that_cannot_be_used_are_told(tmp_path, content, words):
    with pytest.raises(ReadingsFileError, match=r"visits\.csv: ") as caught:
        read_visits(write(tmp_path, content, "visits.csv"), "psi")
    assert words in str(caught.value)


def test_missing_visit_files_and_folders_are_told(tmp_path):
    with pytest.raises(ReadingsFileError, match="there is no such file"):
        read_visits(tmp_path / "visits.csv", "psi")
    with pytest.raises(ReadingsFileError, match="this is a folder"):
        read_visits(tmp_path, "psi")


def test_rows_that_were_refused_still_tell_how_far_the_log_goes(tmp_path: Path) -> None:
    """A sensor that ends with readings that cannot be true is silent, and the log does not end with the last good."""
    path = tmp_path / "log.csv"
    path.write_text("time,pressure,heater\n1700000000,400,0\n1700000010,400,0\n1700500000,-500,0\n")
    log = read_log(path, "kPa")
    assert len(log.samples) == 2
    assert log.end == 1_700_500_000.0
