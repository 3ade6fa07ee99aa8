"""Every command in the README does what the README says it does."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.app import open_store
from monitor.cli.main import main
from monitor.ingest.payload import Decoder
from monitor.service.clock import SystemClock
from monitor.service.ports import Message
from monitor.service.settings import load_service

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
BLOCKS = re.findall(r"^```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
COMMANDS = [
    *re.findall(r"^cushionwatch .*", "\n".join(BLOCKS), re.MULTILINE),
    *re.findall(r"`(cushionwatch [^`]+)`", README),
]

ELSEWHERE = {"run", "backup", "restore", "export", "proof", "worklist"}
"""Commands that would stay or need a store: test_run.py, test_store_copies.py, test_cli_proof.py and
test_worklist_command.py run them."""


def test_the_readme_shows_the_commands_that_people_need() -> None:
    assert {shlex.split(one)[1] for one in COMMANDS} >= {
        "check",
        "run",
        "examine",
        "size",
        "visit",
        "rejected",
    }


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_of_the_readme_works_as_it_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    shutil.copytree(ROOT / "config", tmp_path / "config")
    rows = "".join(f"{1_700_000_000 + 10 * n},60,0\n" for n in range(100))
    (tmp_path / "log.csv").write_text(f"time,pressure,heater\n{rows}")
    arguments = shlex.split(command)
    if arguments[1] in ELSEWHERE or (arguments[1] == "advice" and "--table" not in arguments):
        arguments += ["--help"]  # here only its options are read
    monkeypatch.chdir(tmp_path)
    with open_store(load_service(tmp_path / "config" / "cushionwatch.toml")):
        pass  # as the service has made it by then
    monkeypatch.delenv("CUSHIONWATCH_CONFIG", raising=False)
    monkeypatch.setattr(sys, "argv", arguments)
    with pytest.raises(SystemExit) as end:
        main()
    # The log holds a quarter of an hour in which nothing happens: commissioning has something to wait for.
    allowed = {1} if arguments[1] == "commission" else {0, None}
    assert end.value.code in allowed, capsys.readouterr().err


def test_what_the_readme_publishes_is_taken_with_the_time_of_today() -> None:
    (block,) = [one for one in BLOCKS if "mosquitto_pub" in one]
    script = f'mosquitto_pub() {{ printf \'%s\\n\' "$4" "$6"; }}\n{block}'
    said = subprocess.run(["/bin/sh", "-c", script], capture_output=True, text=True, check=True).stdout
    lines, now = said.splitlines(), SystemClock().now()
    decoder = Decoder(load_service(ROOT / "config" / "cushionwatch.toml").sites)
    for topic, payload in zip(lines[::2], lines[1::2], strict=True):
        readings, refused = decoder.decode(Message(topic, payload.encode(), now))
        assert refused == []
        assert [abs(one.time - now) < 60 for one in readings] == [True]
