"""What is known of the numbers of devices, out of the store. Each function runs in its caller's transaction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import apsw

from monitor.readings import Origin, Point, Reading
from monitor.service.ports import BootProgress, DeviceProgress, Gap, GapState, NumberingCounts, SetBack
from monitor.store.numbering import WAITED
from monitor.store.tables import seconds

MISSING_TOLD: Final = 20
"""Open gaps of a boot that its device is told of, the oldest first."""
BOOTS_TOLD: Final = 4
"""Boots of a device that it is told of: it may still have readings of the ones before."""

_OF_SITE: Final = (
    "(:site IS NULL OR device = :site OR device IN (SELECT n.device FROM numbering AS n "
    "JOIN told AS t ON t.numbering = n.id JOIN series AS s ON s.id = t.series WHERE s.site = :site))"
)

_GAP: Final = "device, boot, first, last, noticed, state, settled"
_SET_BACK: Final = "device, boot, number, before_us, after_us, noticed"


def select_gaps(db: apsw.Connection, site: str | None, *, open_only: bool, limit: int) -> list[Gap]:
    """Return gaps, newest first; of a site those of the devices that spoke for it."""
    chosen = f"{_OF_SITE} AND (NOT :open OR state = 'open')"
    rows: Iterable[Any] = db.execute(
        f"SELECT {_GAP} FROM gap WHERE {chosen} ORDER BY noticed DESC, device, boot, first LIMIT :limit",  # noqa: S608
        {"site": site, "open": open_only, "limit": max(limit, 0)},
    )
    return [
        Gap(device, boot, first, last, noticed, GapState(state), settled)
        for device, boot, first, last, noticed, state, settled in rows
    ]


def select_set_backs(db: apsw.Connection, site: str | None, limit: int) -> list[SetBack]:
    """Return steps of clocks, newest first."""
    rows: Iterable[Any] = db.execute(
        f"SELECT {_SET_BACK} FROM set_back WHERE {_OF_SITE} ORDER BY id DESC LIMIT :limit",  # noqa: S608
        {"site": site, "limit": max(limit, 0)},
    )
    return [
        SetBack(device, boot, number, seconds(before_us), seconds(after_us), noticed)
        for device, boot, number, before_us, after_us, noticed in rows
    ]


def select_retold(db: apsw.Connection, site: str, point: Point, limit: int) -> list[Reading]:
    """Return the newest readings of a time that was told before, in the order in which they came."""
    rows: list[Any] = db.execute(
        "SELECT r.device, r.boot, r.number, r.time_us, r.value FROM retold AS r JOIN series AS s ON s.id = r.series "
        "WHERE s.site = ? AND s.point = ? ORDER BY r.id DESC LIMIT ?",
        (site, point.value, max(limit, 0)),
    ).fetchall()
    return [
        Reading(site, point, seconds(time_us), value, Origin(device, boot, number))
        for device, boot, number, time_us, value in reversed(rows)
    ]


def count_retold(db: apsw.Connection, site: str) -> int:
    """Return how many readings of a site are kept of a time that was told before."""
    row: Any = db.execute(
        "SELECT count(*) FROM retold WHERE series IN (SELECT id FROM series WHERE site = ?)", (site,)
    ).fetchone()
    return int(row[0])


def select_progress(db: apsw.Connection, devices: Sequence[str]) -> list[DeviceProgress]:
    """Return what has come of each of these devices that numbers: its boots, the one heard last first."""
    found = []
    for device in devices:
        rows: list[Any] = db.execute(
            "SELECT id, boot, highest, heard FROM numbering WHERE device = ? ORDER BY heard DESC, id DESC LIMIT ?",
            (device, BOOTS_TOLD),
        ).fetchall()
        boots = [_progress(db, row) for row in rows if row[3] >= rows[0][3] - WAITED]
        if boots:
            found.append(DeviceProgress(device, boots))
    return found


def _progress(db: apsw.Connection, row: Any) -> BootProgress:
    number, boot, highest, heard = row
    holes: list[Any] = db.execute(
        "SELECT first, last FROM gap WHERE numbering = ? AND state = 'open' ORDER BY first LIMIT ?",
        (number, MISSING_TOLD),
    ).fetchall()
    missing = [(first, last) for first, last in holes]
    return BootProgress(boot, missing[0][0] - 1 if missing else highest, highest, missing, heard)


def select_devices(db: apsw.Connection, since: float) -> list[str]:
    """Return the devices that number and were heard since ``since`` [epoch s], in order."""
    rows: Iterable[Any] = db.execute(
        "SELECT DISTINCT device FROM numbering WHERE heard >= ? ORDER BY device", (since,)
    )
    return [device for (device,) in rows]


def count(db: apsw.Connection) -> NumberingCounts:
    """Return counts over all devices that number."""
    row: Any = db.execute(
        "SELECT (SELECT count(DISTINCT device) FROM numbering), "
        "count(*) FILTER (WHERE state = 'open'), "
        "CAST(min(total(last - first + 1.0) FILTER (WHERE state = 'open'), 9e18) AS INTEGER), "
        "CAST(min(total(last - first + 1.0) FILTER (WHERE state = 'lost'), 9e18) AS INTEGER), "
        "(SELECT count(*) FROM set_back), (SELECT ifnull(max(id), 0) FROM retold) FROM gap"
    ).fetchone()
    return NumberingCounts(*row)
