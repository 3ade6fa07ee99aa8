"""The publisher as a process against a real broker: delivery, wrong password, no broker, a clean stop."""

import json
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

PASSWORD = "s3cret word"  # noqa: S105 - of a broker that lives as long as the test
CONFIG = """\
listener {port} 127.0.0.1
allow_anonymous false
password_file {folder}/passwd
max_queued_messages 0
user root
"""


def until(ready: Callable[[], object], what: str, timeout: float = 15.0) -> None:
    """Poll until ready, AssertionError at the deadline."""
    end = time.monotonic() + timeout
    while not ready():
        assert time.monotonic() < end, f"{what} did not come within {timeout} s"
        time.sleep(0.02)


def listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """A mosquitto with one user on a free port."""
    path = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin"
    server, passwd = shutil.which("mosquitto", path=path), shutil.which("mosquitto_passwd", path=path)
    assert server is not None, "mosquitto is not installed: apt-get install mosquitto"
    assert passwd is not None
    subprocess.run([passwd, "-c", "-b", str(tmp_path / "passwd"), "sim", PASSWORD], check=True)
    port = free_port()
    (tmp_path / "mosquitto.conf").write_text(CONFIG.format(port=port, folder=tmp_path))
    with subprocess.Popen(
        [server, "-c", str(tmp_path / "mosquitto.conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        until(lambda: listening(port), "the broker")
        yield port
        process.terminate()


def simulator(tmp_path: Path, port: int, *more: str, password: str = PASSWORD) -> subprocess.Popen[str]:
    (tmp_path / "secret").write_text(f"{password}\n")
    command = [
        sys.executable, "-m", "simulator", "publish", "--port", str(port), "--username", "sim",
        "--password-file", str(tmp_path / "secret"), *more,
    ]  # fmt: skip
    return subprocess.Popen(command, stderr=subprocess.PIPE, text=True)


def test_everything_arrives_and_ends_about_now(broker: int, tmp_path: Path) -> None:
    got: list[tuple[str, bytes]] = []
    subscribed: list[bool] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set("sim", PASSWORD)
    client.on_message = lambda _c, _d, message: got.append((message.topic, bytes(message.payload)))
    client.on_subscribe = lambda *_: subscribed.append(True)
    client.connect("127.0.0.1", broker)
    client.subscribe("cushionwatch/#", qos=1)
    client.loop_start()
    until(lambda: subscribed, "the subscription")
    process = simulator(tmp_path, broker, "--speed", "0", "--days", "1", "--quiet")
    assert process.communicate(timeout=60)[1] == ""
    assert process.returncode == 0
    until(lambda: len(got) >= 3 * 3 * 24, "the last message")
    client.disconnect()
    client.loop_stop()
    pressure = [
        json.loads(payload) for topic, payload in got if topic == "cushionwatch/mill-cottage/pressure"
    ]
    rows = [row for batch in pressure for row in batch]
    assert len(rows) == 8640
    assert time.time() - 100.0 < rows[-1]["time"] <= time.time()  # noqa: TID251 - a process is observed
    assert rows[-1]["time"] - rows[0]["time"] == pytest.approx(86400.0 - 10.0)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly_within_a_second(
    broker: int, tmp_path: Path, number: signal.Signals
) -> None:
    process = simulator(tmp_path, broker, "--days", "30")
    assert process.stderr is not None
    assert "playing demo" in process.stderr.readline()
    assert "day 0" in process.stderr.readline()
    began = time.monotonic()
    process.send_signal(number)
    said = process.communicate(timeout=10)[1]
    assert time.monotonic() - began < 1.0
    assert process.returncode == 0
    assert "Traceback" not in said


def test_a_wrong_password_gets_one_clear_line(broker: int, tmp_path: Path) -> None:
    process = simulator(tmp_path, broker, "--quiet", password="wrong")  # noqa: S106
    said = process.communicate(timeout=30)[1]
    assert process.returncode == 2
    assert "refused" in said
    assert "password" in said
    assert "wrong" not in said
    assert said.count("\n") == 1


def test_no_broker_gets_one_clear_line(tmp_path: Path) -> None:
    port = free_port()
    process = simulator(tmp_path, port, "--quiet")
    said = process.communicate(timeout=30)[1]
    assert process.returncode == 2
    assert f"127.0.0.1:{port}" in said
    assert said.count("\n") == 1
