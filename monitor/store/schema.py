"""Tables of the store, their version, and the steps from one version to the next.

A database carries its version in ``user_version`` and this program's mark in ``application_id``.
Times are whole microseconds since 1970 UTC where they are part of a key, so that equal times are equal.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import apsw

from monitor.errors import StoreError

APPLICATION_ID: Final = 0x63757368
"""The letters "cush": tells our file from another program's SQLite file."""

VERSION_1: Final = """
CREATE TABLE series (
    id INTEGER PRIMARY KEY, site TEXT NOT NULL, point TEXT NOT NULL, UNIQUE (site, point)
) STRICT;
CREATE TABLE reading (
    series INTEGER NOT NULL, time_us INTEGER NOT NULL, value REAL NOT NULL, PRIMARY KEY (series, time_us)
) STRICT, WITHOUT ROWID;
CREATE TABLE rejected (  -- AUTOINCREMENT: the highest id ever given is the number refused so far
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    received REAL NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, payload BLOB NOT NULL
) STRICT;
CREATE TABLE visit (
    site TEXT NOT NULL, time_us INTEGER NOT NULL, action TEXT NOT NULL,
    precharge REAL, supply REAL, water_at_valve INTEGER,
    PRIMARY KEY (site, time_us, action)
) STRICT, WITHOUT ROWID;
CREATE TABLE event (  -- AUTOINCREMENT: a number never names a second event
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    site TEXT NOT NULL, fault TEXT NOT NULL, raised_us INTEGER NOT NULL,
    state TEXT NOT NULL, finding TEXT NOT NULL,
    UNIQUE (site, fault, raised_us)
) STRICT;
CREATE INDEX event_by_state ON event (state);
CREATE TABLE event_change (  -- audit: rows are only ever added
    id INTEGER PRIMARY KEY,
    event INTEGER NOT NULL REFERENCES event, time REAL NOT NULL,
    before TEXT, after TEXT NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL
) STRICT;
CREATE INDEX event_change_by_event ON event_change (event);
CREATE TABLE delivery (  -- the outbox
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    event INTEGER NOT NULL REFERENCES event, channel TEXT NOT NULL,
    key TEXT NOT NULL, site TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
    severity TEXT NOT NULL, created REAL NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('owed', 'delivered', 'dead')),
    attempts INTEGER NOT NULL DEFAULT 0, due REAL NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '', done REAL,
    UNIQUE (channel, key)
) STRICT;
CREATE INDEX delivery_owed ON delivery (channel, event, id) WHERE state = 'owed';
"""

VERSION_2: Final = """
CREATE TABLE sealed (  -- id: series * 100000000 + hours since 1970; body: see monitor.store.codec
    id INTEGER PRIMARY KEY,
    count INTEGER NOT NULL, first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, body BLOB NOT NULL
) STRICT;
CREATE TABLE hourly (  -- of a sealed hour; least and most are readings, at their own times
    id INTEGER PRIMARY KEY,
    count INTEGER NOT NULL, mean REAL NOT NULL,
    least REAL NOT NULL, least_us INTEGER NOT NULL, most REAL NOT NULL, most_us INTEGER NOT NULL
) STRICT;
CREATE TABLE minutely (id INTEGER PRIMARY KEY, body BLOB NOT NULL) STRICT;  -- the same of its minutes
CREATE TABLE mark (  -- sealed_before: no sealed hour is as late; raw_from: readings before it were dropped
    name TEXT PRIMARY KEY, hour INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
"""

VERSION_3: Final = """
CREATE TABLE analysis (  -- an analyser when all rows up to at_us were done; a cache: readings are the truth
    id INTEGER PRIMARY KEY,
    site TEXT NOT NULL, at_us INTEGER NOT NULL, program TEXT NOT NULL, body BLOB NOT NULL,
    UNIQUE (site, at_us)
) STRICT;
CREATE TABLE overdue (  -- since when a site has readings that came after their time had been analysed
    site TEXT PRIMARY KEY, since_us INTEGER NOT NULL, times INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
"""

VERSION_4: Final = """
CREATE TABLE numbering (  -- a boot of a device that numbers: all from start to highest came, but for its gaps
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    device TEXT NOT NULL, boot TEXT NOT NULL,
    start INTEGER NOT NULL, highest INTEGER NOT NULL, heard REAL NOT NULL,
    forgotten INTEGER NOT NULL DEFAULT -1,  -- blocks of taken up to this one were dropped
    UNIQUE (device, boot)
) STRICT;
CREATE INDEX numbering_by_heard ON numbering (heard);
CREATE TABLE taken (  -- which numbers of a block came on a lane: a topic (negative), or a series
    numbering INTEGER NOT NULL, block INTEGER NOT NULL, lane INTEGER NOT NULL, bits BLOB NOT NULL,
    PRIMARY KEY (numbering, block, lane)
) STRICT, WITHOUT ROWID;
CREATE TABLE gap (  -- numbers that did not come; "lost" is waited for no more, and may still be filled
    id INTEGER PRIMARY KEY,
    numbering INTEGER NOT NULL, device TEXT NOT NULL, boot TEXT NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL, noticed REAL NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('open', 'filled', 'lost')), settled REAL
) STRICT;
CREATE INDEX gap_by_number ON gap (numbering, state, first);
CREATE INDEX gap_open ON gap (noticed) WHERE state = 'open';
CREATE TABLE told (  -- of a series of a boot: its last number, and the number that has its newest time
    numbering INTEGER NOT NULL, series INTEGER NOT NULL,
    last INTEGER NOT NULL, last_us INTEGER NOT NULL, peak INTEGER NOT NULL, peak_us INTEGER NOT NULL,
    PRIMARY KEY (numbering, series)
) STRICT, WITHOUT ROWID;
CREATE TABLE peak (  -- peaks of told when a gap opened, to judge by what comes late
    numbering INTEGER NOT NULL, series INTEGER NOT NULL, number INTEGER NOT NULL, time_us INTEGER NOT NULL,
    PRIMARY KEY (numbering, series, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE set_back (  -- the clock of a device went back at a number
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    numbering INTEGER NOT NULL, device TEXT NOT NULL, boot TEXT NOT NULL, number INTEGER NOT NULL,
    before_us INTEGER NOT NULL, after_us INTEGER NOT NULL, noticed REAL NOT NULL
) STRICT;
CREATE INDEX set_back_by_number ON set_back (numbering, number);
CREATE TABLE retold (  -- readings of a time that their device had told before
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    device TEXT NOT NULL, boot TEXT NOT NULL, number INTEGER NOT NULL,
    series INTEGER NOT NULL, time_us INTEGER NOT NULL, value REAL NOT NULL
) STRICT;
CREATE INDEX retold_by_series ON retold (series, time_us);
"""

VERSION_5: Final = """
ALTER TABLE visit ADD COLUMN found REAL;  -- the charge before anything was done; of gauged the same as precharge
ALTER TABLE visit ADD COLUMN leak TEXT;  -- NULL: nobody looked; empty: none seen
ALTER TABLE visit ADD COLUMN tank_volume REAL;
ALTER TABLE visit ADD COLUMN who TEXT NOT NULL DEFAULT '';
ALTER TABLE visit ADD COLUMN note TEXT NOT NULL DEFAULT '';
CREATE TABLE visit_photo (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    site TEXT NOT NULL, time_us INTEGER NOT NULL, action TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('jpeg', 'png')), sha256 TEXT NOT NULL, body BLOB NOT NULL
) STRICT;
CREATE INDEX visit_photo_by_visit ON visit_photo (site, time_us);

ALTER TABLE event ADD COLUMN explained_by INTEGER;  -- the event whose fault is the first cause of this one
ALTER TABLE event ADD COLUMN raises INTEGER NOT NULL DEFAULT 1;  -- of the fault there, in the days up to this one
ALTER TABLE event ADD COLUMN held INTEGER NOT NULL DEFAULT 0;  -- 1: not told for now, its fault comes and goes
ALTER TABLE event_change ADD COLUMN act TEXT NOT NULL DEFAULT '';  -- what was done; empty: by an older version
CREATE INDEX event_by_cause ON event (explained_by) WHERE explained_by IS NOT NULL;
CREATE INDEX event_by_raised ON event (raised_us);
CREATE TABLE shelf (  -- events that a person does not want to hear of for a while
    event INTEGER PRIMARY KEY REFERENCES event,
    since REAL NOT NULL, until REAL NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL, urgent INTEGER NOT NULL
) STRICT;
CREATE TABLE out_of_service (  -- sites, or points of one ('': all of it), that are being worked on
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    site TEXT NOT NULL, point TEXT NOT NULL, since REAL NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL,
    urgent_until REAL, ended REAL, ended_who TEXT NOT NULL DEFAULT '', ended_why TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX out_of_service_now ON out_of_service (site, point) WHERE ended IS NULL;
CREATE TABLE withheld (  -- alerts that are owed once their event may be told, if it still stands then
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    event INTEGER NOT NULL REFERENCES event, channel TEXT NOT NULL,
    key TEXT NOT NULL, site TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
    severity TEXT NOT NULL, created REAL NOT NULL,
    UNIQUE (channel, key)
) STRICT;
CREATE INDEX withheld_by_event ON withheld (event);
ALTER TABLE withheld ADD COLUMN kind TEXT NOT NULL DEFAULT 'raised';
ALTER TABLE withheld ADD COLUMN urgent INTEGER NOT NULL DEFAULT 0;
ALTER TABLE withheld ADD COLUMN waits TEXT NOT NULL DEFAULT '';
ALTER TABLE withheld ADD COLUMN due REAL NOT NULL DEFAULT 0;

CREATE TABLE outbox (  -- made anew: messages about many events, or about none, and what a message went into
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    event INTEGER REFERENCES event, channel TEXT NOT NULL,
    key TEXT NOT NULL, site TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
    severity TEXT NOT NULL, created REAL NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('owed', 'delivered', 'dead', 'merged')),
    attempts INTEGER NOT NULL DEFAULT 0, due REAL NOT NULL DEFAULT 0,
    last_error TEXT NOT NULL DEFAULT '', done REAL,
    kind TEXT NOT NULL DEFAULT 'raised', urgent INTEGER NOT NULL DEFAULT 0,
    fault TEXT NOT NULL DEFAULT '',  -- of a group
    waits TEXT NOT NULL DEFAULT '', held_until REAL NOT NULL DEFAULT 0,  -- while it waits it is not due
    merged_into INTEGER,
    UNIQUE (channel, key)
) STRICT;
INSERT INTO outbox
    (id, event, channel, key, site, title, body, severity, created, state, attempts, due, last_error, done)
    SELECT id, event, channel, key, site, title, body, severity, created, state, attempts, due, last_error, done
    FROM delivery;
DROP TABLE delivery;
ALTER TABLE outbox RENAME TO delivery;
CREATE INDEX delivery_owed ON delivery (channel, event, id) WHERE state = 'owed';
CREATE INDEX delivery_done ON delivery (channel, done) WHERE state = 'delivered';
CREATE INDEX delivery_by_event ON delivery (event);
CREATE INDEX delivery_merged ON delivery (merged_into) WHERE merged_into IS NOT NULL;
"""

MIGRATIONS: Final[Sequence[str]] = (VERSION_1, VERSION_2, VERSION_3, VERSION_4, VERSION_5)
"""Step ``n`` leads from version ``n`` to ``n + 1``. Only ever append."""


def prepare(connection: apsw.Connection, migrations: Sequence[str] = MIGRATIONS) -> None:
    """Bring the database to the newest version, all steps in one transaction: it is old or new, never between.

    Before an existing database is changed, a copy goes beside it: ``<file>.v<version>.backup``.

    Raises
    ------
    StoreError
        If the file belongs to another program or to a newer version of this one.
    """
    version = version_of(connection, len(migrations))
    if 0 < version < len(migrations):
        _keep_copy(connection, version)
    if version == len(migrations):
        return
    with immediate(connection):
        # Another process may have taken these steps while we waited for the lock.
        for step in range(version_of(connection, len(migrations)), len(migrations)):
            connection.execute(migrations[step])
        connection.pragma("application_id", APPLICATION_ID)
        connection.pragma("user_version", len(migrations))


@contextmanager
def immediate(connection: apsw.Connection) -> Iterator[None]:
    """Hold a transaction that takes the write lock at once; undone when the block or its commit fails."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # A full disk or an I/O error may have rolled back by itself.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def version_of(connection: apsw.Connection, newest: int) -> int:
    """Return the version of a database, 0 if it is empty; `StoreError` if it is not ours, or newer than ``newest``."""
    version = int(connection.pragma("user_version"))
    mark = int(connection.pragma("application_id"))
    foreign = connection.execute("SELECT count(*) FROM sqlite_schema").get != 0
    if mark != APPLICATION_ID and (mark or version or foreign):
        raise StoreError(
            f"{connection.filename} is a database of another program: name another file for the store"
        )
    if version > newest:
        raise StoreError(
            f"{connection.filename} was written by a newer version of this program (database version "
            f"{version}, this program knows up to {newest}): install that version again, or name another file"
        )
    return version


def _keep_copy(connection: apsw.Connection, version: int) -> None:
    copy = Path(f"{connection.filename}.v{version}.backup")
    part = copy.with_name(f"{copy.name}.{os.getpid()}.part")
    try:
        part.unlink(missing_ok=True)
        connection.execute("VACUUM INTO ?", (str(part),))
        # A copy that is there already was made for an update that did not come to its end.
        part.replace(copy)
    except (apsw.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"no copy of the database could be made before its update: {copy}: {error}. "
            "Make room or give this user the right to write there, then start again"
        ) from error
