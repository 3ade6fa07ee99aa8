"""Whatever a log holds: rows in order, or one error that names the file; nothing else happens."""

import gzip
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from monitor.errors import ReadingsFileError
from monitor.ingest.logfile import read_log, read_visits

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
        samples, _ = read_log(path, "psi")
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


def test_a_quote_that_is_never_closed_is_told(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text('time,pressure,heater\n1,2,"0\n' + "1,2,0\n" * 10)
    with pytest.raises(ReadingsFileError, match=r"no good row|cannot be read"):
        read_log(path, "bar")
