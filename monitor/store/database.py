"""Connections to the one file: a writer behind a lock, short-lived readers, errors in words."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

import apsw

from monitor.errors import StoreBroken, StoreError
from monitor.store.schema import MIGRATIONS, immediate, prepare

OLDEST_SAFE_SQLITE: Final = (3, 51, 3)
"""The first SQLite without the WAL-reset bug."""

LOG_LIMIT: Final = 64 * 1024 * 1024
"""Bytes to which the write-ahead log is cut back after a checkpoint."""

_READER_MS: Final = 500
"""How long a checkpoint waits for readers; commits wait for it. [ms]"""

_CHUNK: Final = 1 << 16  # the file layer takes no more than 128 KB at once
_UNSYNCED: Final = frozenset({apsw.SQLITE_IOERR_FSYNC, apsw.SQLITE_IOERR_DIR_FSYNC})

_DAMAGED: Final = "the file is damaged; stop the service, keep a copy, and restore the last backup"

_HINTS: Final[Sequence[tuple[type[apsw.Error], str]]] = (
    (apsw.FullError, "the disk is full; nothing of this step was stored. Make room, then it is tried again"),
    (apsw.ReadOnlyError, "the file or its folder cannot be written; give this user the right to write there"),
    (apsw.PermissionsError, "access is denied; give this user the right to read and write there"),
    (apsw.CantOpenError, "the file cannot be opened; check that its folder exists and may be written"),
    (
        apsw.NotADBError,
        "the file is no SQLite database; name another file for the store, or move this one away",
    ),
    (apsw.CorruptError, _DAMAGED),
    (apsw.BusyError, "another program holds the file; find it and end it"),
    (apsw.IOError, "the disk reports an error; check its health and the free space"),
    (apsw.ConnectionClosedError, "the store is closed"),
)


class Database:
    """The file of the store, open for writing until `close`. Safe to use from any thread.

    Parameters
    ----------
    path : Path
        File; made where there is none. Its folder must exist.
    busy_timeout : float
        How long to wait for another process that holds the write lock. [s]
    migrations : Sequence[str]
        Steps of the schema; replaced in tests only.

    Raises
    ------
    StoreError
        If the file cannot be used as the store; says why and what to do.
    """

    def __init__(
        self, path: Path, *, busy_timeout: float = 10.0, migrations: Sequence[str] = MIGRATIONS
    ) -> None:
        require_safe_sqlite(apsw.sqlite_lib_version())
        self.path = path
        self._busy_ms = round(busy_timeout * 1000)
        self._lock = threading.RLock()
        self._closed = False
        self._broken = ""
        self.full = False
        _check_place(path)
        with explained(path, "open"):
            self._writer = self._open_writer(migrations)

    @contextmanager
    def write(self) -> Iterator[apsw.Connection]:
        """Yield the writing connection inside a transaction: all of it is on disk afterwards, or nothing.

        `full` tells afterwards whether the disk had room for it. After a `StoreBroken` there is no other write.
        """
        with self._lock:
            self._require_sound()
            with self._told(), self._noting_full(), immediate(self._writer):
                yield self._writer

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Keep other threads from writing for the length of a ``with`` block."""
        with self._lock:
            yield

    def shorten_log(self) -> None:
        """Move the write-ahead log into the file and give its room back, unless a reader needs it."""
        with self._lock, self._told():
            self._require_sound()
            self._writer.set_busy_timeout(_READER_MS)
            try:
                self._writer.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
            except apsw.BusyError:
                pass  # the next one will do
            finally:
                self._writer.set_busy_timeout(self._busy_ms)

    @contextmanager
    def read(self) -> Iterator[apsw.Connection]:
        """Yield a connection of its own that sees one state of the database and cannot change it."""
        self._require_open()
        with explained(self.path, "read"):
            connection = apsw.Connection(str(self.path), flags=apsw.SQLITE_OPEN_READWRITE)
            try:
                connection.set_busy_timeout(self._busy_ms)
                connection.pragma("query_only", True)
                connection.execute("BEGIN")
                yield connection
            finally:
                connection.close(force=True)

    def close(self) -> None:
        """Release the file; waits for a write that is under way. A second call does nothing."""
        with self._lock:
            if not self._closed:
                self._closed = True
                with explained(self.path, "close"):
                    self._writer.close(force=True)

    @contextmanager
    def _noting_full(self) -> Iterator[None]:
        try:
            yield
            self.full = False
        except apsw.FullError:
            self.full = True
            raise

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Raise errors in words, and remember the one after which nothing more is written."""
        try:
            with explained(self.path, "write"):
                yield
        except StoreBroken as error:
            self._broken = str(error)
            # Closing must not carry on what the disk may have lost.
            self._writer.config(apsw.SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1)
            raise

    def _require_sound(self) -> None:
        self._require_open()
        if self._broken:
            raise StoreBroken(self._broken)

    def _require_open(self) -> None:
        if self._closed:
            raise StoreError(f"cannot use {self.path}: the store is closed")

    def _open_writer(self, migrations: Sequence[str]) -> apsw.Connection:
        connection = apsw.Connection(str(self.path))
        try:
            connection.set_busy_timeout(self._busy_ms)
            _renew_log(connection, self.path)
            _configure(connection)
            prepare(connection, migrations)
        except BaseException:
            connection.close(force=True)
            raise
        return connection


def _configure(connection: apsw.Connection) -> None:
    # SQLite falls back to reading only without a word.
    if connection.readonly("main"):
        raise apsw.ReadOnlyError("opened for reading only")
    # Must stand before the first table; lets space be given back later without a full rewrite.
    connection.pragma("auto_vacuum", 2)
    mode = connection.pragma("journal_mode", "wal")
    if mode != "wal":
        raise StoreError(
            f"cannot open {connection.filename}: no write-ahead log is possible there (journal mode {mode}); "
            "put the file on a local disk"
        )
    connection.pragma("synchronous", "FULL")
    connection.pragma("journal_size_limit", LOG_LIMIT)
    connection.pragma("foreign_keys", True)


def _renew_log(connection: apsw.Connection, path: Path) -> None:
    """Write the log of a process that has ended once more where it is, and wait for the disk.

    What such a process wrote last may be in memory only, or on no disk at all after a failed sync, yet it is
    read back as if it were: a message that comes again would be taken for stored, and a checkpoint would
    bring half of it into the file. Pages that are written anew are synced anew. While the write lock is held
    nobody else writes to the log.
    """
    log = path.with_name(path.name + "-wal")
    if not log.exists() or not log.stat().st_size:
        return
    with immediate(connection), suppress(apsw.FullError):  # a disk that copies on write may have no room
        file = apsw.VFSFile("", str(log), [apsw.SQLITE_OPEN_WAL | apsw.SQLITE_OPEN_READWRITE, 0])
        try:
            for start in range(0, file.xFileSize(), _CHUNK):
                file.xWrite(file.xRead(_CHUNK, start), start)
            file.xSync(apsw.SQLITE_SYNC_NORMAL)
        finally:
            file.xClose()


@contextmanager
def explained(path: Path, doing: str) -> Iterator[None]:
    """Turn what SQLite raises into a `StoreError` that says what was tried, what is wrong and the way out."""
    try:
        yield
    except apsw.Error as error:
        if getattr(error, "extendedresult", None) in _UNSYNCED:  # our own have none
            raise StoreBroken(
                f"cannot {doing} {path}: the disk did not keep what it was given; nothing more is written, since "
                f"nobody knows what it holds. Check the disk, then start again ({error})"
            ) from error
        hint = next((text for kind, text in _HINTS if isinstance(error, kind)), "unexpected")
        raise StoreError(f"cannot {doing} {path}: {hint} ({error})") from error
    except UnicodeDecodeError as error:  # bytes that were text once: no check of SQLite sees them
        raise StoreError(f"cannot {doing} {path}: {_DAMAGED} (text that is none)") from error


def require_safe_sqlite(version: str) -> None:
    """Raise `StoreError` where the SQLite library is old enough to carry the WAL-reset bug."""
    if tuple(int(part) for part in version.split(".")) < OLDEST_SAFE_SQLITE:
        raise StoreError(
            f"SQLite {version} can damage the store (WAL-reset bug, gone in 3.51.3): update the package apsw"
        )


def _check_place(path: Path) -> None:
    if path.is_dir():
        raise StoreError(
            f"cannot open {path}: it is a folder; name a file for the store, like {path / 'store.db'}"
        )
    if not path.parent.is_dir():
        raise StoreError(
            f"cannot open {path}: the folder {path.parent} does not exist; make it (mkdir -p {path.parent}) "
            "or name another file for the store"
        )
