"""Service visits and their photos in and out. Each function runs in its caller's transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import apsw

from monitor.service.photos import Photo, PhotoKind, PhotoNote
from monitor.site import Visit, VisitAction
from monitor.store.tables import microseconds, seconds


def insert_visit(db: apsw.Connection, site: str, visit: Visit, photos: Sequence[Photo] = ()) -> bool:
    """Add a visit with its photos unless one with the same (site, time, action) is known; return whether."""
    key = (site, microseconds(visit.time), visit.action.value)
    db.execute(
        "INSERT INTO visit (site, time_us, action, precharge, supply, water_at_valve, found, leak, tank_volume, "
        "who, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (
            *key,
            visit.precharge,
            visit.supply,
            None if visit.water_at_valve is None else int(visit.water_at_valve),
            visit.found,
            visit.leak,
            visit.tank_volume,
            visit.who,
            visit.note,
        ),
    )
    if db.changes() == 0:
        return False
    db.executemany(
        "INSERT INTO visit_photo (site, time_us, action, kind, sha256, body) VALUES (?, ?, ?, ?, ?, ?)",
        [(*key, one.kind.value, hashlib.sha256(one.body).hexdigest(), one.body) for one in photos],
    )
    return True


def select_visits(db: apsw.Connection, site: str) -> list[Visit]:
    """Return the visits of a site, oldest first."""
    rows = db.execute(
        "SELECT time_us, action, precharge, supply, water_at_valve, found, leak, tank_volume, who, note "
        "FROM visit WHERE site = ? ORDER BY time_us",
        (site,),
    )
    return [
        Visit(
            seconds(time_us),
            VisitAction(action),
            precharge,
            supply,
            None if water is None else bool(water),
            *more,
        )
        for time_us, action, precharge, supply, water, *more in rows
    ]


def select_photos(db: apsw.Connection, site: str) -> list[PhotoNote]:
    """Return what is known of the photos of a site, without the pictures, in the order they came."""
    rows = db.execute(
        "SELECT id, time_us, action, kind, sha256, length(body) FROM visit_photo WHERE site = ? ORDER BY id",
        (site,),
    )
    return [
        PhotoNote(number, seconds(time_us), VisitAction(action), PhotoKind(kind), digest, size)
        for number, time_us, action, kind, digest, size in rows
    ]


def select_photo(db: apsw.Connection, site: str, number: int) -> Photo | None:
    """Return a photo of a site, None if it has none of that number."""
    row = db.execute(
        "SELECT kind, body FROM visit_photo WHERE site = ? AND id = ?", (site, number)
    ).fetchone()
    return None if row is None else Photo(PhotoKind(row[0]), bytes(row[1]))
