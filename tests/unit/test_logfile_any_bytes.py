"""Whatever a log holds: rows in order, or one error that names the file; nothing else happens."""

import csv
import gzip
import io
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.errors import ReadingsFileError
from monitor.ingest.logfile import read_log, read_visits
from monitor.ingest.logquotes import LineQuotes

cells = st.one_of(
    st.sampled_from(
        [
            "",
            "0",
            "1",
            "on",
            "nan",
            "-1",
            "1e400",
            "2026-01-31T06:00:00Z",
            "2026-01-31",
            "1769839200",
            '"',
            "x",
        ]
    ),
    st.floats().map(repr),
    st.text(max_size=5),
)
logs = st.lists(st.lists(cells, min_size=2, max_size=5).map(",".join), max_size=8).map("\n".join)
quick = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


def check(path, content):
    path.write_bytes(content)
    try:
        samples, _, _ = read_log(path, "psi")
    except ReadingsFileError as exc:
        message = str(exc)
    else:
        rows_are_sound(samples)
        return
    assert str(path) in message


def rows_are_sound(samples):
    assert len(samples) > 0
    assert (np.diff(samples.time) > 0).all()
    assert np.isfinite(samples.pressure).all()
    assert (samples.pressure >= -101.325).all()
    assert not (samples.heater < 0).any()


@quick
@given(content=st.binary())
@example(content=b"time,pressure,heater\r1,1,1\r")
@example(content=b'time,pressure,heater\n"1,1,1\n')
@example(content=b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03" + b"\xff" * 20)
@example(content=b'time,"pressure\nheater')
def test_any_bytes(tmp_path, content):
    check(tmp_path / "log.csv", content)
    check(tmp_path / "log.csv.gz", content)
    check(tmp_path / "log.parquet", content)


@quick
@given(text=logs)
@example(text=f"{'9' * 300},1,1\n1,1e308,1\n1,1,1e308\n1,1,1,1e308")
def test_any_rows(tmp_path, text):
    content = f"time,pressure,heater,temperature\n{text}".encode(errors="surrogatepass")
    check(tmp_path / "log.csv", content)
    check(tmp_path / "log.csv.gz", gzip.compress(content))


@quick
@given(text=logs)
def test_any_visits(tmp_path, text):
    path = tmp_path / "visits.csv"
    path.write_bytes(f"time,action,precharge,water_at_valve\n{text}".encode(errors="surrogatepass"))
    message = ""
    try:
        visits = read_visits(path, "bar")
    except ReadingsFileError as exc:
        message, visits = str(exc), []
    assert not message or str(path) in message
    assert all(before.time <= after.time for before, after in pairwise(visits))


def read_back(text):
    """Return what the csv module reads of a mended text, and the note about it."""
    notes = []
    stream = LineQuotes(io.BytesIO(text), notes)
    mended = stream.read()
    assert stream.read() == b""
    lines = mended.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return mended, list(csv.reader(lines)), len(lines), notes


@quick
@given(text=st.text(alphabet='",1\n\r x', max_size=40).map(str.encode))
@example(text=b'a"b,"c\n1,2\n')
@example(text=b'1,"x""\n1,2\n')
def test_after_mending_every_line_is_one_row_and_only_quotes_have_changed(text):
    mended, rows, lines, notes = read_back(text)
    assert len(rows) == lines
    assert len(mended) == len(text)
    changed = [pair for pair in zip(text, mended, strict=True) if pair[0] != pair[1]]
    assert set(changed) <= {(ord('"'), ord("'"))}
    assert bool(notes) == bool(changed)
    again, *_, none = read_back(mended)
    assert (again, none) == (mended, [])


@quick
@example(text=b'"\n"', size=1)  # a last line that is a piece of its own
@given(text=st.text(alphabet='",1\n x', max_size=60).map(str.encode), size=st.integers(1, 9))
def test_mending_does_not_depend_on_the_pieces(text, size):
    notes, pieces = [], []
    stream = LineQuotes(io.BytesIO(text), notes)
    while piece := stream.read(size):
        assert len(piece) <= size
        pieces.append(piece)
    mended, *_, whole_notes = read_back(text)
    assert (b"".join(pieces), notes) == (mended, whole_notes)


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz"])
@pytest.mark.parametrize(
    ("bad", "good", "told"),
    [
        ('"5,1,0,2,x', 0, 1),
        ('5,1,0,"2', 0, 1),
        ('5,1,0,2,"x', 1, 1),
        ('5,1,0,2,"x""', 1, 1),
        ('5,1,0,2,a"b', 1, 0),
        ('5,1,0,2,"say ""so"""', 1, 0),
    ],
)
def test_a_quote_that_is_never_closed_costs_no_other_row(tmp_path, name, bad, good, told):
    rows = [f"{100 + i},1,0,2,x" for i in range(50_000)]
    rows[20_000] = bad
    text = "time,pressure,heater,n,note\n" + "\n".join(rows) + "\n"
    path = tmp_path / name
    path.write_bytes(gzip.compress(text.encode()) if name.endswith("gz") else text.encode())
    samples, notes, _ = read_log(path, "bar")
    assert len(samples) == 49_999 + good
    found = [note for note in notes if "is not closed on the line" in note]
    assert [note.endswith("first: line 20002") for note in found] == [True] * told
