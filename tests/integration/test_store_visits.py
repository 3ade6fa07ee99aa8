"""The visit book in a real file: every field, photos, a second telling, and books of older versions."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from monitor.service.photos import Photo, PhotoKind
from monitor.site import Visit, VisitAction
from monitor.store.schema import APPLICATION_ID, MIGRATIONS
from monitor.store.sqlite import SqliteStore

NOON = 1_767_614_400.25
FULL = Visit(
    NOON, VisitAction.REPLACED, 413e3, 415e3, True, 0.0, "old air valve", 0.012, "A. Fitter", "heavy;\nsee photo"
)  # fmt: skip
JPEG, PNG = b"\xff\xd8\xff\xe0 gauge", b"\x89PNG\r\n\x1a\n tank"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    one = SqliteStore(tmp_path / "store.db")
    yield one
    one.close()


def test_all_that_a_visit_tells_comes_back(store: SqliteStore) -> None:
    bare = Visit(NOON - 60, VisitAction.LOOKED)
    dry = Visit(NOON - 30, VisitAction.GAUGED, 0.0, water_at_valve=False, leak="")
    assert [store.add_visit("a", one) for one in (FULL, bare, dry)] == [True, True, True]
    assert store.visits("a") == [bare, dry, FULL]
    assert store.visits("b") == []


def test_a_visit_that_is_told_twice_is_kept_once_as_it_was(store: SqliteStore) -> None:
    photo = Photo(PhotoKind.PNG, PNG)
    assert store.add_visit("a", FULL, [photo])
    assert not store.add_visit("a", Visit(FULL.time, FULL.action, 1e5, note="another"), [photo, photo])
    assert store.visits("a") == [FULL]
    assert len(store.photos("a")) == 1


def test_photos_stay_with_their_visit_and_their_site(store: SqliteStore) -> None:
    store.add_visit("a", FULL, [Photo(PhotoKind.JPEG, JPEG), Photo(PhotoKind.PNG, PNG)])
    notes = store.photos("a")
    assert [(one.time, one.action, one.kind, one.size) for one in notes] == [
        (FULL.time, FULL.action, PhotoKind.JPEG, len(JPEG)),
        (FULL.time, FULL.action, PhotoKind.PNG, len(PNG)),
    ]
    assert notes[0].sha256 == hashlib.sha256(JPEG).hexdigest()
    assert store.photo("a", notes[1].number) == Photo(PhotoKind.PNG, PNG)
    assert store.photo("b", notes[1].number) is None
    assert store.photo("a", 99) is None


@pytest.mark.parametrize("version", range(1, 5))
def test_a_visit_book_of_an_older_version_is_taken_over(tmp_path: Path, version: int) -> None:
    path = tmp_path / "old.db"
    old = apsw.Connection(str(path))
    for step in MIGRATIONS[:version]:
        old.execute(step)
    old.pragma("application_id", APPLICATION_ID)
    old.pragma("user_version", version)
    rows = [
        ("a", round(NOON * 1e6), "gauged", 2e5, None, None),
        ("a", round(NOON * 1e6), "refilled", 4e5, 4.1e5, 0),
    ]
    old.executemany("INSERT INTO visit VALUES (?, ?, ?, ?, ?, ?)", rows)
    old.close()
    store = SqliteStore(path)
    assert store.visits("a") == [
        Visit(NOON, VisitAction.GAUGED, 2e5),
        Visit(NOON, VisitAction.REFILLED, 4e5, 4.1e5, water_at_valve=False),
    ]
    assert [one.before for one in store.visits("a")] == [2e5, None]
    assert store.add_visit("a", FULL, [Photo(PhotoKind.PNG, PNG)])
    assert store.integrity() == []
    store.close()
