"""Real time-series databases for tests: on free loopback ports, in a folder of the test's own.

``InfluxServer`` is InfluxDB 1.6 of Debian behind nginx, which turns the v2 write address into the one of 1.x and
checks the token; ``MetricsServer`` is VictoriaMetrics of Debian, which takes v2 writes itself. Debian 13 has
no InfluxDB: then the tests that read back by InfluxQL are skipped.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import threading
import urllib.parse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest
from broker import free_port, wait_until

from monitor.store.influx.reader import query
from monitor.store.influx.remote import Target

HOST = "127.0.0.1"
TOKEN = "t0ken-that-no-log-shows"  # noqa: S105 - of a server that lives for one test
BUCKET = "copy"
_PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"


def found(program: str) -> str | None:
    """Return the path of a Debian program, None if it is not installed."""
    return shutil.which(program, path=_PATH)


needs_influx = pytest.mark.skipif(
    found("influxd") is None or found("nginx") is None,
    reason="InfluxDB or nginx is not installed (Debian 13 has no InfluxDB): apt-get install influxdb nginx-light",
)


@dataclass
class _Process:
    """One process; may be stopped and started again and again on the same port."""

    folder: Path
    port: int = 0
    process: subprocess.Popen[bytes] | None = None

    def spawn(self, *command: str) -> None:
        with (self.folder / f"{Path(command[0]).name}.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)

    def end(self, how: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(timeout=20)
        self.process = None

    def wait_for(self, path: str) -> None:
        def answers() -> bool:
            assert self.process is not None
            assert self.process.poll() is None, f"ended: see {self.folder}"
            try:
                return httpx.get(f"http://{HOST}:{self.port}{path}", timeout=1).status_code < 300
            except httpx.TransportError:
                return False

        wait_until(answers, timeout=30, what=f"an answer on port {self.port}")


@dataclass
class InfluxServer:
    """InfluxDB 1.6 and the nginx before it."""

    folder: Path
    inner: _Process = field(init=False)
    outer: _Process = field(init=False)

    def __post_init__(self) -> None:
        self.inner = _Process(self.folder, free_port())
        self.outer = _Process(self.folder, free_port())
        backup = free_port()
        (self.folder / "influx.conf").write_text(f"""
reporting-disabled = true
bind-address = "{HOST}:{backup}"
[meta]
dir = "{self.folder}/meta"
[data]
dir = "{self.folder}/data"
wal-dir = "{self.folder}/wal"
index-version = "tsi1"
query-log-enabled = false
[http]
bind-address = "{HOST}:{self.inner.port}"
log-enabled = false
""")
        inside = f"http://{HOST}:{self.inner.port}"
        allow = f'if ($http_authorization != "Token {TOKEN}") {{ return 401; }}'
        (self.folder / "nginx.conf").write_text(f"""
daemon off;
master_process off;
pid {self.folder}/nginx.pid;
error_log stderr;
events {{ }}
http {{
  access_log off;
  client_body_temp_path {self.folder}/body;
  proxy_temp_path {self.folder}/proxy;
  fastcgi_temp_path {self.folder}/fastcgi;
  uwsgi_temp_path {self.folder}/uwsgi;
  scgi_temp_path {self.folder}/scgi;
  client_max_body_size 25m;
  client_body_buffer_size 4m;
  map $arg_precision $precision {{ default $arg_precision; us u; "" ns; }}
  server {{
    listen {HOST}:{self.outer.port};
    location = /api/v2/write {{
      {allow}
      rewrite ^ /write?db=$arg_bucket&precision=$precision? break;
      proxy_pass {inside};
      proxy_set_header Authorization "";
    }}
    location = /query {{
      {allow}
      proxy_pass {inside};
      proxy_set_header Authorization "";
    }}
  }}
}}
""")

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.outer.port}"

    @property
    def target(self) -> Target:
        return Target(self.url, "home", BUCKET, lambda: TOKEN, timeout=5.0)

    def start(self) -> None:
        """Start and wait until it answers; the database is made at the first start."""
        self.start_inner()
        httpx.post(
            f"http://{HOST}:{self.inner.port}/query", params={"q": f"CREATE DATABASE {BUCKET}"}
        ).raise_for_status()
        if self.outer.process is None:
            self.outer.spawn(
                found("nginx") or "", "-c", str(self.folder / "nginx.conf"), "-p", str(self.folder)
            )
            wait_until(self._outer_answers, what="nginx")

    def start_inner(self) -> None:
        self.inner.spawn(found("influxd") or "", "-config", str(self.folder / "influx.conf"))
        self.inner.wait_for("/ping")

    def _outer_answers(self) -> bool:
        try:
            return httpx.get(self.url, timeout=1).status_code > 0
        except httpx.TransportError:
            return False

    def kill(self) -> None:
        """End the database as a crash does; nginx stays."""
        self.inner.end(signal.SIGKILL)

    def stop(self) -> None:
        self.inner.end(signal.SIGTERM)
        self.outer.end(signal.SIGTERM)

    def rows(self, what: str) -> list[tuple[Any, ...]]:
        """Return the rows of a query of one series, times in microseconds."""
        tables = query(self.target, what)
        return [tuple(row) for table in tables for row in table.rows]


@contextmanager
def running_influx(folder: Path, *, started: bool = True) -> Iterator[InfluxServer]:
    """Run InfluxDB behind nginx for the length of a ``with`` block."""
    folder.mkdir(parents=True, exist_ok=True)
    server = InfluxServer(folder)
    try:
        if started:
            server.start()
        yield server
    finally:
        server.stop()


@dataclass
class MetricsServer:
    """VictoriaMetrics."""

    folder: Path
    inner: _Process = field(init=False)

    def __post_init__(self) -> None:
        self.inner = _Process(self.folder, free_port())

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.inner.port}"

    @property
    def target(self) -> Target:
        return Target(self.url, "home", BUCKET, lambda: TOKEN, timeout=5.0)

    def start(self) -> None:
        self.inner.spawn(
            found("victoria-metrics") or "", f"-storageDataPath={self.folder}/vm",
            f"-httpListenAddr={HOST}:{self.inner.port}", "-retentionPeriod=50y", "-search.latencyOffset=0s",
            "-dedup.minScrapeInterval=1ms", "-influxMeasurementFieldSeparator=_", "-memory.allowedBytes=64MB",
        )  # fmt: skip
        self.inner.wait_for("/health")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        self.inner.end(how)

    def series(self, match: str) -> list[dict[str, Any]]:
        """Return all that is stored of the series that match: labels, values and times [ms]."""
        httpx.get(f"{self.url}/internal/force_flush", timeout=10)
        answer = httpx.get(f"{self.url}/api/v1/export?match[]={urllib.parse.quote(match)}", timeout=30)
        return [json.loads(line) for line in answer.text.splitlines()]


@contextmanager
def running_metrics(folder: Path) -> Iterator[MetricsServer]:
    """Run VictoriaMetrics for the length of a ``with`` block; a missing one fails the test."""
    if found("victoria-metrics") is None:
        raise RuntimeError("victoria-metrics is not installed: apt-get install victoria-metrics")
    folder.mkdir(parents=True, exist_ok=True)
    server = MetricsServer(folder)
    try:
        server.start()
        yield server
    finally:
        server.stop()


Answer = tuple[int, dict[str, str], bytes]


@contextmanager
def answering(how: Callable[[list[bytes]], Answer | None]) -> Iterator[Target]:
    """Serve HTTP that answers each write as ``how`` says of its lines; None: not at all until the test ends."""
    over = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True

        def do_POST(self) -> None:
            import gzip  # noqa: PLC0415

            body = self.rfile.read(int(self.headers["Content-Length"]))
            answer = how(gzip.decompress(body).split(b"\n"))
            if answer is None:
                over.wait(60)
                self.close_connection = True
                return
            status, headers, text = answer
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(text)))
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer((HOST, 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        url = f"http://{HOST}:{server.server_address[1]}"
        yield Target(url, "home", BUCKET, lambda: TOKEN, timeout=0.5)
    finally:
        over.set()
        server.shutdown()
        thread.join()
        server.server_close()
