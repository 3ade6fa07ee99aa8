"""What the store says when the file, the folder or the disk does not allow what is asked."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from monitor.errors import StoreError
from monitor.readings import Point, Reading, Rejected
from monitor.store.database import Database, require_safe_sqlite
from monitor.store.schema import APPLICATION_ID, MIGRATIONS
from monitor.store.sqlite import SqliteStore

SECOND: str = "ALTER TABLE visit ADD COLUMN of_a_later_version TEXT"
ROOT = Path(__file__).parents[2]


def some(count: int, start: int = 0) -> list[Reading]:
    return [Reading("mill-3", Point.PRESSURE, 1e9 + start + step, 1.0) for step in range(count)]


def stored(store: SqliteStore) -> int:
    return int(store.readings("mill-3", Point.PRESSURE, 0, 1e12)[0].size)


@pytest.mark.parametrize(
    ("version", "safe"), [("3.40.1", False), ("3.51.2", False), ("3.51.3", True), ("4.0", True)]
)
def test_a_sqlite_with_the_wal_reset_bug_is_refused(version: str, safe: bool) -> None:
    """Fixed in 3.51.3, says the release note of that version."""
    if safe:
        require_safe_sqlite(version)
    else:
        with pytest.raises(StoreError, match=r"update the package apsw"):
            require_safe_sqlite(version)


def test_a_missing_folder_is_named_with_the_way_out(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"folder .*none does not exist; make it \(mkdir -p .*none\)"):
        SqliteStore(tmp_path / "none" / "store.db")


def test_a_folder_in_place_of_the_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="it is a folder; name a file"):
        SqliteStore(tmp_path)


def test_a_file_in_place_of_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    with pytest.raises(StoreError, match="does not exist"):
        SqliteStore(tmp_path / "plain" / "store.db")


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    text = b"time,pressure\n" * 100
    path.write_bytes(text)
    with pytest.raises(StoreError, match="no SQLite database; name another file"):
        SqliteStore(path)
    assert path.read_bytes() == text


def test_the_database_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    other = apsw.Connection(str(path))
    other.execute("CREATE TABLE reading (x)")
    other.close()
    with pytest.raises(StoreError, match="another program: name another file"):
        SqliteStore(path)
    other = apsw.Connection(str(path))
    assert other.pragma("user_version") == 0
    assert other.execute("SELECT count(*) FROM sqlite_schema").get == 1
    other.close()


def test_an_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    path.touch()
    store = SqliteStore(path)
    assert len(store.commit(some(1), []).new) == 1
    store.close()


def test_text_that_is_none_any_more_is_damage(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    store.commit([], [Rejected(1.0, "t", "r", b"")])
    with store.database.write() as db:
        db.execute("UPDATE rejected SET reason = CAST(x'ff41ff' AS TEXT)")
    with pytest.raises(StoreError, match=r"the file is damaged; .* restore the last backup"):
        store.rejected(10)
    store.close()


def test_a_newer_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    Database(path, migrations=[*MIGRATIONS, SECOND]).close()
    newest = len(MIGRATIONS)
    told = rf"newer version .*database version {newest + 1}, this program knows up to {newest}\)"
    with pytest.raises(StoreError, match=told):
        SqliteStore(path)


def test_an_older_database_is_brought_forward_and_a_copy_kept(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    first = SqliteStore(path)
    first.commit(some(3), [])
    first.close()
    Database(path, migrations=[*MIGRATIONS, SECOND]).close()
    with Database(path, migrations=[*MIGRATIONS, SECOND]).read() as db:
        assert db.pragma("user_version") == len(MIGRATIONS) + 1
        assert db.execute("SELECT of_a_later_version FROM visit").fetchall() == []
    old = SqliteStore(Path(f"{path}.v{len(MIGRATIONS)}.backup"))
    assert stored(old) == 3
    old.close()


def test_a_copy_that_an_update_left_behind_does_not_stop_the_next(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    first = SqliteStore(path)
    first.commit(some(3), [])
    first.close()
    copy = Path(f"{path}.v{len(MIGRATIONS)}.backup")
    copy.write_bytes(b"half a copy")
    Database(path, migrations=[*MIGRATIONS, SECOND]).close()
    old = SqliteStore(copy)
    assert stored(old) == 3
    old.close()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["store.db", copy.name]


def test_of_several_steps_all_are_taken_or_none(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with pytest.raises(StoreError):
        Database(path, migrations=[*MIGRATIONS, "NO SUCH STATEMENT"])
    with closing(apsw.Connection(str(path))) as db:
        assert db.pragma("user_version") == 0
        assert db.execute("SELECT count(*) FROM sqlite_schema").fetchall() == [(0,)]
    SqliteStore(path).close()


def test_a_step_that_fails_leaves_the_old_version(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    with pytest.raises(StoreError):
        Database(path, migrations=[*MIGRATIONS, SECOND + "; CREATE TABLE series (x)"])
    store = SqliteStore(path)
    assert len(store.commit(some(1), []).new) == 1
    store.close()


def test_a_new_database_carries_its_marks_and_is_set_up_for_power_cuts(tmp_path: Path) -> None:
    database = Database(tmp_path / "store.db")
    with database.write() as db:
        assert db.pragma("application_id") == APPLICATION_ID
        assert db.pragma("journal_mode") == "wal"
        assert db.pragma("synchronous") == 2  # FULL
        assert db.pragma("auto_vacuum") == 2  # INCREMENTAL
        assert db.pragma("foreign_keys") == 1
    database.close()


def test_readers_cannot_write(tmp_path: Path) -> None:
    database = Database(tmp_path / "store.db")
    with pytest.raises(StoreError), database.read() as db:
        db.execute("DELETE FROM reading")
    database.close()


PROBE = """
import os, sys, pathlib
from monitor.store.sqlite import SqliteStore
from monitor.errors import StoreError
if os.getuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
for path in sys.argv[1:]:
    try:
        SqliteStore(pathlib.Path(path))
    except StoreError as error:
        print(error)
"""


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """Give a folder that every user can reach; the one of pytest is closed to others."""
    folder = Path(tempfile.mkdtemp(prefix="store-"))
    yield folder
    folder.chmod(0o700)
    shutil.rmtree(folder)


def test_a_file_or_folder_that_may_not_be_written_is_named(open_folder: Path) -> None:
    """Tried as a user without rights, because to root every file is writable."""
    store, other = open_folder / "store.db", open_folder / "other.db"
    SqliteStore(store).close()
    store.chmod(0o444)
    open_folder.chmod(0o555)
    done = subprocess.run(
        [sys.executable, "-c", PROBE, store, other], check=True, capture_output=True, text=True, cwd=ROOT
    )
    existing, new = done.stdout.splitlines()
    assert existing.startswith(
        f"cannot open {store}: the file or its folder cannot be written; give this user"
    )
    assert new.startswith(f"cannot open {other}: the file cannot be opened; check that its folder")


def test_a_full_disk_stores_nothing_says_so_and_is_got_over(tmp_path: Path) -> None:
    """The limit on pages gives the same SQLITE_FULL as a disk without room, from the same place."""
    store = SqliteStore(tmp_path / "store.db")
    assert len(store.commit(some(10), []).new) == 10
    with store._database.write() as db:
        pages = db.pragma("page_count")
    store._database._writer.pragma("max_page_count", pages + 4)
    with pytest.raises(StoreError, match="the disk is full; nothing of this step was stored"):
        store.commit(some(5000), [])
    assert stored(store) == 10
    store._database._writer.pragma("max_page_count", 1_000_000)
    assert len(store.commit(some(5000), []).new) == 4990
    assert store.integrity() == []
    store.close()


def test_a_writer_in_another_process_is_waited_for(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    other = SqliteStore(tmp_path / "store.db")  # as good as another process: a connection of its own
    held = threading.Event()

    def hold() -> None:
        with other._database.write():
            held.set()
            time.sleep(0.2)

    holder = threading.Thread(target=hold)
    holder.start()
    assert held.wait(10)
    assert len(store.commit(some(1), []).new) == 1
    holder.join()
    other.close()
    store.close()


def test_a_writer_that_never_lets_go_is_named(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    impatient = Database(tmp_path / "store.db", busy_timeout=0.05)
    held = pytest.raises(StoreError, match="another program holds the file")
    with store._database.write(), held, impatient.write():
        pass
    impatient.close()
    store.close()


def test_a_damaged_file_is_found_by_the_check(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    store = SqliteStore(path)
    store.commit(some(5000), [])
    store.close()
    whole = bytearray(path.read_bytes())
    whole[-3 * 4096 : -2 * 4096] = b"\x55" * 4096
    path.write_bytes(whole)
    store = SqliteStore(path)
    assert store.integrity() != []
    store.close()


def test_after_close_every_method_says_so_and_close_may_be_called_again(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "store.db")
    store.close()
    store.close()
    with pytest.raises(StoreError, match="the store is closed"):
        store.commit([], [Rejected(0, "t", "r", b"")])
    with pytest.raises(StoreError, match="the store is closed"):
        store.span("mill-3")
