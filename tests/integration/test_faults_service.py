"""The running service killed, ended, cut off and with wrong clocks, in small: see `python -m tests.faults`."""

from __future__ import annotations

import random
import socket
import threading
from collections.abc import Iterator

import pytest
from broker import wait_until

from tests.faults.catalogue import FAULTS
from tests.faults.proxy import Line, Proxy, proxy_to


@pytest.mark.parametrize(
    "name",
    ["kill", "stop", "broker-stop", "broker-kill", "network", "copy", "clock", "summer-time", "outbox"],
)
def test_what_the_broker_handed_over_is_stored_once_or_listed(name: str) -> None:
    seed = random.randrange(1 << 30)  # from the seed that the run prints at its top
    row = FAULTS[name].small(seed)
    if row.skipped:
        pytest.skip(row.skipped)
    assert row.broken == [], f"seed {seed}"
    assert row.times > 0


@pytest.fixture
def echo() -> Iterator[Proxy]:
    """Give a proxy to a server that sends back what it gets."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                one, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=answer, args=(one,), daemon=True).start()

    def answer(one: socket.socket) -> None:
        with one:
            try:
                while piece := one.recv(1000):
                    one.sendall(piece)
            except OSError:
                return

    threading.Thread(target=serve, daemon=True).start()
    with proxy_to(listener.getsockname()[1]) as proxy:
        yield proxy
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()


def test_a_line_that_is_up_passes_bytes_and_a_dead_one_keeps_them(echo: Proxy) -> None:
    with socket.create_connection(("127.0.0.1", echo.port), timeout=10) as line:
        line.sendall(b"one")
        assert line.recv(10) == b"one"
        echo.line = Line.DEAD
        line.sendall(b"two")
        line.settimeout(0.2)
        with pytest.raises(TimeoutError):
            line.recv(10)
        echo.line = Line.UP
        line.settimeout(10)
        assert line.recv(10) == b"two"


def test_a_line_that_is_cut_resets_what_is_open_and_what_is_new(echo: Proxy) -> None:
    with socket.create_connection(("127.0.0.1", echo.port), timeout=10) as line:
        line.sendall(b"one")
        assert line.recv(10) == b"one"
        echo.line = Line.CUT
        with pytest.raises(ConnectionResetError):
            line.recv(10)
        with socket.create_connection(("127.0.0.1", echo.port), timeout=10) as other:
            wait_until(lambda: echo.taken == 2, what="the second connection")
            with pytest.raises(ConnectionResetError):
                other.recv(10)


def test_a_narrow_line_takes_its_time_and_loses_nothing(echo: Proxy) -> None:
    echo.rate, echo.delay = 200_000.0, 0.01
    sent = random.randbytes(20_000)
    with socket.create_connection(("127.0.0.1", echo.port), timeout=10) as line:
        threading.Thread(target=line.sendall, args=(sent,), daemon=True).start()
        came = b""
        while len(came) < len(sent):
            came += line.recv(4096)
    assert came == sent
