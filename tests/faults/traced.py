"""What the system calls say: a message is acknowledged only after a sync of the log that came after the message."""

from __future__ import annotations

import re
import shutil
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from monitor.service.settings import BrokerTable
from tests.faults.load import Load
from tests.faults.network import finish
from tests.faults.place import broker_and_place, site_names
from tests.faults.table import Row

READINGS: Final = "cushionwatch/"
PUBLISH: Final = 3
PUBACK: Final = 4
_CALL: Final = re.compile(r"(?P<thread>\d+) +(?P<name>\w+)\(\d+<(?P<file>(?:[^>]|(?<=-)>)*)>(?P<rest>.*)")
_RESUMED: Final = re.compile(r"(?P<thread>\d+) +<\.\.\. (?P<name>\w+) resumed>(?P<rest>.*)")
_BYTES: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_RESULT: Final = re.compile(r"= (-?\d+)")


@dataclass
class Stream:
    """One direction of the connection to the broker, cut into packets."""

    waiting: bytes = b""

    def packets(self, more: bytes) -> Iterator[tuple[int, bytes]]:
        """Yield first byte and body of each packet that is complete by now."""
        self.waiting += more
        while len(self.waiting) >= 2:
            size, place, shift = 0, 1, 0
            while place < len(self.waiting):
                byte = self.waiting[place]
                size |= (byte & 127) << shift
                place, shift = place + 1, shift + 7
                if not byte & 128:
                    break
            else:
                return
            if len(self.waiting) < place + size:
                return
            yield self.waiting[0], self.waiting[place : place + size]
            self.waiting = self.waiting[place + size :]


@dataclass
class Trace:
    """Reads a trace in order; ``early`` counts acknowledgements of readings that no sync came before.

    ``own``: how the topics begin on which the service speaks to itself.
    """

    port: int
    own: str
    synced: int = 0
    acknowledged: int = 0
    early: int = 0
    _came: dict[tuple[str, int], int] = field(default_factory=dict)
    _down: defaultdict[str, Stream] = field(default_factory=lambda: defaultdict(Stream))
    _up: defaultdict[str, Stream] = field(default_factory=lambda: defaultdict(Stream))
    _open: dict[str, tuple[str, str]] = field(default_factory=dict)

    def line(self, text: str) -> None:
        """Take the next line."""
        if match := _RESUMED.match(text):
            name, file = self._open.pop(match["thread"], (match["name"], ""))
            self._done(name, file, match["rest"])
            return
        match = _CALL.match(text)
        if match is None:
            return
        file = _hex(match["file"]).decode() if match["file"].startswith("\\x") else match["file"]
        if match["name"] == "sendto":
            self._sent(file, match["rest"])  # it may reach the broker before the call is over
        if match["rest"].endswith("<unfinished ...>"):
            self._open[match["thread"]] = (match["name"], file)
        else:
            self._done(match["name"], file, match["rest"])

    def _done(self, name: str, file: str, rest: str) -> None:
        result = _RESULT.findall(rest)
        if not result or int(result[-1]) < 0:
            return
        if name in {"fdatasync", "fsync"} and file.endswith("-wal"):
            self.synced += 1
        elif name == "recvfrom" and self._is_broker(file):
            for first, body in self._down[file].packets(_bytes(rest)[: int(result[-1])]):
                if first >> 4 == PUBLISH and first & 6:
                    length = int.from_bytes(body[:2], "big")
                    topic = body[2 : 2 + length].decode()
                    packet = int.from_bytes(body[2 + length : 4 + length], "big")
                    if topic.startswith(READINGS) and not topic.startswith(self.own):
                        self._came[file, packet] = self.synced

    def _sent(self, file: str, rest: str) -> None:
        if not self._is_broker(file):
            return
        for first, body in self._up[file].packets(_bytes(rest)):
            came = (
                self._came.pop((file, int.from_bytes(body[:2], "big")), None)
                if first >> 4 == PUBACK
                else None
            )
            if came is not None:  # else what the service tells itself, which is not stored
                self.acknowledged += 1
                self.early += came >= self.synced

    def _is_broker(self, file: str) -> bool:
        return file.startswith("TCP") and file.endswith(f":{self.port}]")


def _bytes(rest: str) -> bytes:
    match = _BYTES.search(rest)
    return _hex(match[1]) if match else b""


def _hex(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def syncs_before_acknowledgements(seconds: float, rate: float, seed: int) -> Row:
    """Trace a service for ``seconds`` s of load."""
    row = Row("sync before acknowledgement", times=1)
    if shutil.which("strace") is None:
        row.skipped = "strace is not installed: apt-get install strace"
        return row
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(10)) as (broker, place),
    ):
        output = Path(name) / "trace"
        calls = "trace=recvfrom,sendto,fdatasync,fsync"
        # -D: the traced process is our child, and the tracer ends with it.
        before = ("strace", "-D", "-f", "-yy", "-xx", "-s", "100000", "-e", calls, "-o", str(output))
        try:
            place.start(before=before)
        except RuntimeError as error:
            if "ptrace" in str(error) or "PTRACE" in str(error):
                row.skipped = "this machine does not allow tracing"
                return row
            raise
        load = place.ends(Load(broker.port, site_names(10), rate, seed))
        load.start()
        time.sleep(seconds)
        finish(row, load, place)
        own = f"cushionwatch/service/{BrokerTable(host='localhost').client_id}/"
        trace = Trace(broker.port, own)
        for line in output.read_text().splitlines():
            trace.line(line)
    row.times = trace.acknowledged
    row.require(trace.acknowledged >= (row.sent or 0) > 0, "each message is acknowledged")
    row.require(trace.early == 0, f"a sync of the log before each acknowledgement ({trace.early} without)")
    row.notes.append(f"{trace.acknowledged} acknowledgements, {trace.synced} syncs of the log")
    return row
