"""Backup, restore and export on real files: while others write, when damaged, and back through ``examine``."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from monitor.cli.export_file import in_unit
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.errors import InputError, StoreError
from monitor.readings import Point, Reading
from monitor.store import copies
from monitor.store.lock import alone_in
from monitor.store.sqlite import SqliteStore

T0 = 1_767_225_600.0
"""2026-01-01T00:00:00Z."""

PSI = 6.894757293168361  # kPa: NIST SP 811
SITE = """id = "mill-3"
unit = "psi"
[heater]
kind = "storage"
volume = "150 L"
input = "11.7 kW"
[tank]
volume = "8 L"
"""
SERVICE = '[broker]\nhost = "127.0.0.1"\nport = 1\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a service's files with two days of readings in the store, an event among them."""
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "mill-3.toml").write_text(SITE)
    (tmp_path / "service.toml").write_text(f'data = "var"\nsites = "sites"\n{SERVICE}')
    (tmp_path / "var").mkdir()
    store = opened(tmp_path)
    store.commit(rows(2.0), [])
    store.raise_event(
        "mill-3", Finding(Fault.AIR_CHARGE_LOW, T0, T0 + 60.0, Severity.MEDIUM, 0.97, "w", "a", "c", {}), {}
    )
    store.close()
    return tmp_path


def opened(folder: Path) -> SqliteStore:
    return SqliteStore(folder / "var" / "cushionwatch.db")


def rows(days: float, start: float = T0) -> list[Reading]:
    times = start + np.arange(0.0, days * 86400.0, 60.0)
    level = 60.0 + np.round(np.sin(times / 900.0), 1)
    pressure = [
        Reading("mill-3", Point.PRESSURE, float(t), float(p) * PSI) for t, p in zip(times, level, strict=True)
    ]
    heater = [Reading("mill-3", Point.HEATER, float(t), float(t % 3600.0 < 600.0)) for t in times]
    return [*pressure, *heater]


def command(folder: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run a command as a user would."""
    given = [str(word) for word in words]
    return subprocess.run(
        [sys.executable, "-m", "monitor", *given, "--config", str(folder / "service.toml")],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_a_copy_taken_while_others_write_is_of_one_moment_and_restores(folder: Path) -> None:
    """A writer goes on in a thread of its own; every copy holds whole batches only."""
    store, stop = opened(folder), threading.Event()

    def write() -> None:
        batch = 0
        while not stop.is_set():
            store.commit(rows(100.0 / 1440.0, T0 + (10.0 + batch) * 86400.0), [])
            batch += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        contents = [copies.back_up(store.path, folder / f"copy-{count}.db") for count in range(3)]
    finally:
        stop.set()
        writer.join()
        store.close()
    for content in contents:
        assert (content.readings - 2 * 2880) % 200 == 0
        assert content.events == 1
    # What came after the copy is gone after a restore, and stays beside it.
    aside = folder / "var" / "old.db"
    restored = copies.restore(folder / "copy-0.db", folder / "var" / "cushionwatch.db", aside)
    assert restored == contents[0]
    assert copies.check(aside).readings >= contents[-1].readings
    again = opened(folder)
    assert again.integrity() == []
    assert len(again.events()) == 1
    again.close()


def test_the_commands_copy_and_put_back(folder: Path) -> None:
    copy = folder / "copy.db"
    done = command(folder, "backup", copy)
    assert done.returncode == 0, done.stderr
    assert "5760 readings, 0 visits, 1 events" in done.stdout
    refused = command(folder, "backup", copy)
    assert refused.returncode == 2
    assert "exists" in refused.stderr
    store = opened(folder)
    store.commit(rows(0.5, T0 + 3 * 86400.0), [])
    store.close()
    back = command(folder, "restore", copy)
    assert back.returncode == 0, back.stderr
    assert "5760 readings" in back.stdout
    store = opened(folder)
    assert store.span("mill-3") == (T0, T0 + 2 * 86400.0 - 60.0)
    store.close()
    assert len(list((folder / "var").glob("cushionwatch.db.before-*"))) == 1


def test_a_running_service_is_never_restored_under(folder: Path) -> None:
    copy = folder / "copy.db"
    copies.back_up(folder / "var" / "cushionwatch.db", copy)
    with alone_in(folder / "var"):
        refused = command(folder, "restore", copy)
    assert refused.returncode != 0
    assert "stop it first" in refused.stderr
    assert "Traceback" not in refused.stderr


@pytest.mark.parametrize("harm", ["cut", "scribbled", "text", "empty", "missing"])
def test_a_damaged_copy_restores_nothing(folder: Path, harm: str) -> None:
    copy, store = folder / "copy.db", folder / "var" / "cushionwatch.db"
    copies.back_up(store, copy)
    body = copy.read_bytes()
    if harm == "cut":
        copy.write_bytes(body[: len(body) // 2])
    elif harm == "scribbled":
        copy.write_bytes(body[: 3 * 4096] + bytes(4096) + body[4 * 4096 :])
    elif harm == "text":
        copy.write_text("time,pressure\n")
    elif harm == "empty":
        copy.write_bytes(b"")
    else:
        copy.unlink()
    before = store.read_bytes()
    with pytest.raises((InputError, StoreError), match=r"copy\.db"):
        copies.restore(copy, store, folder / "aside.db")
    assert store.read_bytes() == before
    assert not (folder / "aside.db").exists()


@pytest.mark.parametrize("end", ["csv", "csv.gz", "parquet"])
def test_an_export_is_a_log_that_examine_reads(folder: Path, end: str) -> None:
    out = folder / f"mill.{end}"
    done = command(folder, "export", "mill-3", "--out", out)
    assert done.returncode == 0, done.stderr
    assert "2880 rows" in done.stderr
    site = folder / "sites" / "mill-3.toml"
    read = subprocess.run(
        [sys.executable, "-m", "monitor", "examine", str(out), "--site", str(site), "--json"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert read.returncode in {0, 1}, read.stderr
    report = json.loads(read.stdout)
    assert report["samples"] == 2880
    assert report["span"]["start"].startswith("2026-01-01T00:00:00")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("export", "mill-3", "--out", "x.xls"), ".parquet"),
        (("export", "mill-4", "--out", "x.csv"), "mill-3"),
        (("backup", "no/such/folder/x.db"), "does not exist"),
        (("restore", "nothing.db"), "nothing.db"),
    ],
)
def test_a_mistake_is_told_in_words(folder: Path, words: tuple[str, ...], said: str) -> None:
    done = command(folder, *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_a_pressure_goes_out_as_the_device_sent_it() -> None:
    """61.4 psi were stored as kPa; what is written times the factor gives back every bit."""
    sent = np.round(np.arange(0.0, 200.0, 0.1), 1)
    stored = sent * PSI
    assert np.array_equal(in_unit(stored, PSI), sent)
    odd = stored + 1e-10
    assert np.allclose(in_unit(odd, PSI) * PSI, odd, rtol=1e-15)
