"""Copies of the store: taken while the service runs, checked, and put back."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, NamedTuple

import apsw

from monitor.errors import InputError, StoreError
from monitor.store import sealed
from monitor.store.database import explained, require_safe_sqlite
from monitor.store.schema import APPLICATION_ID, MIGRATIONS, version_of

PART: Final = ".part"
"""End of the name of a copy that is being written."""


class Content(NamedTuple):
    """What a store holds, in numbers."""

    version: int
    readings: int
    events: int
    visits: int


def back_up(store: Path, copy: Path) -> Content:
    """Write a copy of a store, of one moment, while others go on writing; return what the copy holds.

    The copy is checked before it gets its name.

    Raises
    ------
    InputError
        If the copy exists already or cannot be written there.
    StoreError
        If the store cannot be read or the copy is not sound.
    """
    if copy.exists():
        raise InputError(f"{copy}: this file exists; a copy replaces none: name another file")
    if not copy.parent.is_dir():
        raise InputError(f"{copy}: the folder {copy.parent} does not exist; make it or name another place")
    part = copy.with_name(copy.name + PART)
    try:
        _new(part)
        with explained(store, "copy"), _reading(store) as db:
            version_of(db, len(MIGRATIONS))
            db.execute("VACUUM INTO ?", (str(part),))
        _to_disk(part)
        content = check(part, of=store)
        part.rename(copy)
        _to_disk(copy.parent)
    except OSError as error:
        raise InputError(f"{copy} cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return content


def check(copy: Path, *, of: Path | None = None) -> Content:
    """Return what a copy holds; `StoreError` if it is not sound or no store of this program.

    Every page, every index and every sealed hour is read. ``of``: the store that it has just been made of, and
    that is to blame where it is not sound.
    """
    require_safe_sqlite(apsw.sqlite_lib_version())
    if not copy.is_file():
        raise InputError(f"{copy}: there is no such file")
    with explained(copy, "check"), _reading(copy) as db:
        version = version_of(db, len(MIGRATIONS))
        if db.pragma("application_id") != APPLICATION_ID:
            raise StoreError(f"{copy} is empty: it is no copy of a store")
        found = faults(db)
        if found and of is not None:
            raise StoreError(
                f"no copy was made, for {of} is damaged ({found[0]}); stop the service, keep the file, and restore "
                "the last backup"
            )
        if found:
            raise StoreError(f"{copy} is damaged ({found[0]}); use another copy")
        return _content(db, version)


def faults(db: apsw.Connection) -> list[str]:
    """Return what is wrong with a store: in its pages and indexes, or inside a sealed hour."""
    try:
        found = [str(row[0]) for row in db.execute("PRAGMA integrity_check")]
    except apsw.CorruptError as error:
        return [str(error)]
    if found != ["ok"]:
        return found
    return sealed.damaged(db) if db.pragma("user_version") != 1 else []


def restore(copy: Path, store: Path, aside: Path) -> Content:
    """Put a copy in the place of a store, which goes to ``aside``; nobody may have it open.

    At every moment the place holds the old store or the new one, whole.
    """
    content = check(copy)
    part = store.with_name(store.name + PART)
    try:
        _new(part)
        with explained(copy, "copy"), _reading(copy) as db:
            db.execute("VACUUM INTO ?", (str(part),))
        _to_disk(part)
        if check(part) != content:
            raise StoreError(f"{part} does not hold what {copy} holds; try again")
        if store.exists():
            _put_aside(store, aside)
        part.replace(store)
        _to_disk(store.parent)
    except OSError as error:
        raise StoreError(f"{store} cannot be replaced: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return content


def _put_aside(store: Path, aside: Path) -> None:
    """Give the old store a second name; its log goes with it, since it must not meet the new file."""
    with suppress(apsw.Error), _reading(store) as db:  # a damaged file is put aside as it is
        db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    aside.hardlink_to(store)
    for end in ("-wal", "-shm"):
        log = store.with_name(store.name + end)
        if log.exists():
            log.rename(aside.with_name(aside.name + end))


@contextmanager
def _reading(path: Path) -> Iterator[apsw.Connection]:
    if not path.is_file():
        raise StoreError(f"there is no store at {path}")
    connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READWRITE)
    try:
        connection.set_busy_timeout(10_000)
        yield connection
    finally:
        connection.close(force=True)


def _content(db: apsw.Connection, version: int) -> Content:
    count = {
        table: int(str(db.execute(f"SELECT count(*) FROM {table}").get))  # noqa: S608  names of our own
        for table in ("reading", "event", "visit")
    }
    packed = int(str(db.execute("SELECT ifnull(sum(count), 0) FROM sealed").get)) if version > 1 else 0
    return Content(version, count["reading"] + packed, count["event"], count["visit"])


def _new(part: Path) -> None:
    """Make an empty file, so that a place that cannot be written is told by its own name."""
    part.unlink(missing_ok=True)
    part.touch(mode=0o640, exist_ok=False)


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
