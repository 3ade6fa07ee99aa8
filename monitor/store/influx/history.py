"""All that the store holds, owed to the copy: for a database that is new, or that has lost what it had."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice
from typing import Any, Final

from monitor.errors import StoreError
from monitor.store.influx.ledger import EVENTS, HOUR_US, Ledger
from monitor.store.sqlite import SqliteStore
from monitor.store.tables import microseconds

AT_ONCE: Final = 5000
"""Rows of the ledger in one transaction: a running service waits for it."""

Row = tuple[tuple[str, str, int], tuple[int, int]]


def owe_history(ledger: Ledger, store: SqliteStore) -> int:
    """Owe each hour of each series, and the events of each site; return how many rows that are.

    What the database has already it gets once more, which changes nothing there.

    Raises
    ------
    StoreError
        If more hours would be owed than `owe_at_most` allows: the oldest would become gaps.
    """
    rows = list(_rows(store))
    room = ledger.room()
    if len(rows) > room:
        raise StoreError(
            f"all that is stored is {len(rows)} hours of a series, and no more than {room} may be owed besides "
            f"what is: write owe_at_most = {len(rows) * 2} or more in [timeseries], then ask again"
        )
    left = iter(rows)
    while part := dict(islice(left, AT_ONCE)):
        ledger.mark(part)
    return len(rows)


def _rows(store: SqliteStore) -> Iterable[Row]:
    with store.database.read() as db:
        series: list[tuple[Any, ...]] = db.execute("SELECT site, point FROM series ORDER BY id").fetchall()
    spans = {site: store.span(site) for site, _ in series}
    for site, point in series:
        span = spans[site]
        if span is None:
            continue
        first, last = (microseconds(time) for time in span)
        for hour in range(first // HOUR_US, last // HOUR_US + 1):
            start, end = hour * HOUR_US, (hour + 1) * HOUR_US - 1
            yield (point, site, hour), (max(start, first), min(end, last))
    for site in spans:
        yield (EVENTS, site, 0), (0, 0)
