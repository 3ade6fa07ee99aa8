"""The lock on a data folder: one holder, told by its process, free again however that one ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.store.lock import LOCK, alone_in

HOLDER = (
    "import sys, time; from pathlib import Path; from monitor.store.lock import alone_in\n"
    "with alone_in(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
)


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_a_folder_is_free_again_when_its_holder_was_killed(tmp_path: Path, how: signal.Signals) -> None:
    command = [sys.executable, "-c", HOLDER, str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        words = rf"{tmp_path} is in use by another service \(process {holder.pid}\)"
        with pytest.raises(StoreError, match=words), alone_in(tmp_path):
            pass
        holder.send_signal(how)
    with alone_in(tmp_path):
        assert (tmp_path / LOCK).read_text() == f"{os.getpid()}\n"
    with alone_in(tmp_path):
        pass


def test_a_lock_that_cannot_be_had_is_told(tmp_path: Path) -> None:
    (tmp_path / LOCK).mkdir()
    with (
        pytest.raises(StoreError, match=r"cushionwatch\.lock cannot be opened: Is a directory"),
        alone_in(tmp_path),
    ):
        pass
