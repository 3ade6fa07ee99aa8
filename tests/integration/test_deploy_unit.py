"""deploy/cushionwatch.service read by systemd's own checker, and the files that the Containerfile needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from broker import program

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
INSTALLED = "/opt/cushionwatch/bin/cushionwatch"
EXPOSURE = "14"  # tenths, as systemd counts: 12 under systemd 252, and two for what newer ones judge besides


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a program that exists here in place of the one that is installed there."""
    text = (DEPLOY / "cushionwatch.service").read_text()
    assert f"ExecStart={INSTALLED} run --config " in text
    path = tmp_path / "cushionwatch.service"
    path.write_text(text.replace(f"ExecStart={INSTALLED}", f"ExecStart={sys.executable}"))
    return path


def analyse(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [program("systemd-analyze"), "--no-pager", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_systemd_finds_nothing_wrong_with_the_unit(unit: Path) -> None:
    verified = analyse("verify", str(unit))
    assert (verified.returncode, verified.stderr) == (0, "")


def test_systemd_would_name_a_mistyped_setting(unit: Path) -> None:
    """So that the test above means something: a setting it does not know is told."""
    unit.write_text(unit.read_text().replace("PrivateTmp=", "PrivatTmp="))
    assert "PrivatTmp" in analyse("verify", str(unit)).stderr


def test_the_unit_stays_as_closed_as_it_was(unit: Path) -> None:
    judged = analyse("security", "--offline=true", f"--threshold={EXPOSURE}", str(unit))
    assert judged.returncode == 0, judged.stdout


def test_the_libraries_load_where_memory_cannot_become_code() -> None:
    """MemoryDenyWriteExecute=yes, asked of the kernel for a process of our own (prctl PR_SET_MDWE)."""
    program_text = """
import ctypes, sys
if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0): sys.exit(77)
import CoolProp.CoolProp, apprise, apsw, fastapi, jinja2, msgspec, numpy, paho.mqtt.client, pyarrow.parquet
import pydantic, uvicorn
"""
    done = subprocess.run([sys.executable, "-c", program_text], capture_output=True, text=True, check=False)
    if done.returncode == 77:
        pytest.skip("this kernel is older than 6.3 and does not have PR_SET_MDWE")
    assert done.returncode == 0, done.stderr


def test_the_container_copies_files_that_exist_and_runs_without_rights() -> None:
    steps = [line.split() for line in (DEPLOY / "Containerfile").read_text().splitlines()]
    copied = [
        name for step in steps if step[:1] == ["COPY"] and "--from" not in step[1] for name in step[1:-1]
    ]
    assert {"requirements.lock", "pyproject.toml", "monitor"} <= set(copied)
    for name in copied:
        assert (ROOT / name).exists(), name
    assert [step for step in steps if step[:1] == ["USER"]] == [["USER", "10001"]]
