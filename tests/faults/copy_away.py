"""The time-series database away while readings and alerts go on, and the copy that catches up afterwards."""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path
from typing import Final

import apsw
from broker import wait_until
from running import publish
from sinks import http_sink
from tsdb import BUCKET, TOKEN, InfluxServer, found, running_influx

from monitor.readings import Point
from tests.faults import alerts
from tests.faults.kills import PLANT
from tests.faults.ledger import compare, enter
from tests.faults.load import Load
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.story import copies
from tests.faults.table import Row

FIELDS: Final = {
    Point.PRESSURE: "pressure_kpa",
    Point.HEATER: "heater",
    Point.TEMPERATURE: "temperature_degc",
}
LATE: Final = 10.0
"""Seconds within which an alert goes out, on a machine that has nothing else to do."""


def copy_away(outage: float, rate: float, seed: int, *, sites: int = 50, within: float = LATE) -> Row:
    """Keep the database down for ``outage`` s of load, then start it; alerts go out ``within`` s all the same."""
    row = Row(f"time-series database away, {rate:g}/s", times=1, means="database up until nothing is owed")
    if found("influxd") is None or found("nginx") is None:
        row.skipped = "InfluxDB or nginx is not installed: apt-get install influxdb nginx-light"
        return row
    with (
        tempfile.TemporaryDirectory() as name,
        http_sink() as sink,
        running_influx(Path(name) / "influx", started=False) as server,
        broker_and_place(Path(name), site_names(sites), more=_table(Path(name), server), alerts=sink.url) as (
            broker,
            place,
        ),
    ):
        (story,) = copies(PLANT, 1, Path(name))
        (place.path / "sites" / f"{story.site.id}.toml").write_text(story.toml)
        place.start()
        load = place.ends(Load(broker.port, site_names(sites), rate, seed))
        load.start()
        publish(broker, story.messages(random.Random(seed)))
        began = time.monotonic()
        wait_until(lambda: sink.received, timeout=60, what="the alert")
        late = time.monotonic() - began
        row.require(late <= within, f"an alert within {within:g} s although the database is away")
        time.sleep(max(outage - late, 0.0))
        owed = _owed(place)
        server.start()
        began = time.monotonic()
        ledger = load.finish()
        place.drain(ledger.sent + story.sent())
        wait_until(lambda: _owed(place) == 0, timeout=1200, what="an empty ledger of the copy")
        row.took(time.monotonic() - began)
        row.require(place.stop() == 0, "told to end it ends in order")
        enter(row, ledger, compare(ledger, place.store_file))
        alerts.enter(row, sink, place.store_file, 0, story.references)
        _compare_copy(row, server, place)
        row.notes.append(
            f"{owed} hours of a series were owed; the alert came {late:.1f} s after its readings"
        )
    return row


def _table(folder: Path, server: InfluxServer) -> str:
    token = folder / "token"
    token.write_text(TOKEN + "\n")
    return f'[timeseries]\nurl = "{server.url}"\nbucket = "{BUCKET}"\ntoken_file = "{token}"\ntimeout = "5 s"'


def _owed(place: Place) -> int:
    ledger = place.store_file.with_name("cushionwatch-copy.db")
    connection = apsw.Connection(str(ledger), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        connection.set_busy_timeout(5000)
        return int(str(connection.execute("SELECT count(*) FROM owed").get))
    finally:
        connection.close()


def _compare_copy(row: Row, server: InfluxServer, place: Place) -> None:
    """Compare every reading of the store with the copy; the copy can hold one value for an instant only."""
    store = place.store()
    lost = strange = total = 0
    try:
        for file in sorted((place.path / "sites").iterdir()):
            for point, field in FIELDS.items():
                times, values = store.readings(file.stem, point, 0.0, 1e12)
                query = f"SELECT {field} FROM cushionwatch_reading WHERE site = '{file.stem}'"  # noqa: S608
                copied = {(stamp, float(value)) for stamp, value in server.rows(query)}
                held = {(round(when * 1e6), value) for when, value in zip(times, values, strict=True)}
                total += len(copied)
                lost += len(held - copied)
                strange += len(copied - held)
    finally:
        store.close()
    row.require(lost == 0, f"the copy holds what the store holds ({lost} missing)")
    row.require(strange == 0, f"the copy holds nothing else ({strange} more)")
    row.notes.append(f"the copy holds {total} readings")
