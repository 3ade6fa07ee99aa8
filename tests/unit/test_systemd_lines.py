"""When which line is sent to a service manager; the manager is a list, time is set."""

from __future__ import annotations

import itertools
import socket
from collections.abc import Sequence
from pathlib import Path

import pytest

from monitor.cli.systemd import LOOK, Manager, Supervisor


class Scene:
    """A service, its manager and the time, as a test sets them."""

    def __init__(self, watchdog: float | None = 60.0) -> None:
        self.up = False
        self.words = "stored readings are being replayed"
        self.still: list[str] = []
        self.time = 1000.0
        self.said: list[str] = []
        manager = Manager({}, 1)
        manager.watchdog = watchdog
        manager.tell = lambda *lines: self.said.extend(lines)  # type: ignore[method-assign]
        self.supervisor = Supervisor(self, manager, lambda: self.time)

    @property
    def watch(self) -> Scene:
        return self

    def doing(self) -> str:
        return self.words

    def standing_still(self) -> Sequence[str]:
        return self.still

    def look(self, after: float = 0.0) -> list[str]:
        self.time += after
        self.said.clear()
        self.supervisor.look()
        return list(self.said)


def test_ready_is_told_once_and_a_status_when_it_changes() -> None:
    scene = Scene(watchdog=None)
    assert scene.look() == ["STATUS=stored readings are being replayed"]
    scene.up = True
    assert scene.look() == ["READY=1"]
    assert scene.look() == []
    scene.words = "two\nlines " + "x" * 1000
    (status,) = scene.look()
    assert status.startswith("STATUS=two lines xxx")
    assert len(status) < 320
    scene.supervisor.stop()
    assert scene.said[-2:] == ["STOPPING=1", "STATUS=stopping"]


def test_a_sign_of_life_comes_at_least_every_half_period() -> None:
    scene = Scene(watchdog=60.0)
    signs = [scene.time for _ in range(400) if "WATCHDOG=1" in scene.look(LOOK)]
    gaps = {after - before for before, after in itertools.pairwise(signs)}
    assert gaps == {30.0 - LOOK}


def test_no_sign_of_life_while_a_part_stands_still(caplog: pytest.LogCaptureFixture) -> None:
    scene = Scene()
    scene.look()
    scene.still = ["worker"]
    assert scene.look(1000.0) == ["STATUS=stands still: worker"]
    assert scene.look(1000.0) == []
    assert [record.levelname for record in caplog.records] == ["CRITICAL"]
    scene.still = []
    assert scene.look() == ["STATUS=stored readings are being replayed", "WATCHDOG=1"]


@pytest.mark.parametrize(
    ("environ", "watchdog"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "1000000"}, None),  # no socket to send it to
        ({"NOTIFY_SOCKET": "/run/x"}, None),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1500000"}, 1.5),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "1500000", "WATCHDOG_PID": "77"}, 1.5),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1500000", "WATCHDOG_PID": "78"}, None),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "0"}, None),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "soon"}, None),
        ({"NOTIFY_SOCKET": "vsock:2:1234", "WATCHDOG_USEC": "1500000"}, None),
    ],
)
def test_signs_of_life_are_given_where_they_are_wanted_of_us(
    environ: dict[str, str], watchdog: float | None
) -> None:
    assert Manager(environ, 77).watchdog == watchdog


def test_a_manager_that_does_not_listen_holds_nothing_up(tmp_path: Path) -> None:
    Manager({"NOTIFY_SOCKET": str(tmp_path / "nobody")}, 1).tell("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        manager = Manager({"NOTIFY_SOCKET": str(tmp_path / "deaf")}, 1)
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1)
        for _ in range(20):  # more than its queue holds
            manager.tell("STATUS=" + "x" * 200)
        assert deaf.recv(4096).startswith(b"STATUS=")
