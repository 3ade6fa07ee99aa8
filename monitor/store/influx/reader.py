"""Reads the copy back by InfluxQL over HTTP ``/query``: the one way that 1.x, 2.x and 3.x share.

With 2.x the bucket needs a mapping to a database of its name; with 3.x it has one. Databases that only take
the write format (VictoriaMetrics) have no such query: read these by their own means.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import urllib3
from urllib3.exceptions import HTTPError

from monitor.errors import StoreError
from monitor.readings import Point
from monitor.store.influx.lines import FIELDS, READING
from monitor.store.influx.remote import Target

_SHOWN: Final = 300


class Table(NamedTuple):
    """One series of an answer: tags, names of the columns, rows. Times are whole microseconds."""

    tags: dict[str, str]
    columns: Sequence[str]
    rows: Sequence[Sequence[Any]]


def query(target: Target, text: str) -> list[Table]:
    """Return what a query gives; `StoreError` with the reason, never with the token."""
    url = f"{target.url.rstrip('/')}/query"
    fields = {"db": target.bucket, "q": text, "epoch": "u"}
    headers = {"Authorization": f"Token {target.token()}"}
    try:
        with urllib3.PoolManager(ca_certs=None if target.ca is None else str(target.ca)) as pool:
            answer = pool.request(
                "POST", url, fields=fields, encode_multipart=False, headers=headers,
                timeout=target.timeout, retries=False,
            )  # fmt: skip
            body = answer.data
    except (HTTPError, OSError) as error:
        raise StoreError(f"the copy cannot be read: {type(error).__name__} at {target.url}") from error
    if answer.status != 200:
        raise StoreError(f"the copy cannot be read: answer {answer.status}: {_short(body)}")
    return _tables(body)


def count_readings(target: Target, site: str, point: Point, start_us: int, end_us: int) -> int:
    """Return how many readings of a series the copy has, start included, end not. Microseconds."""
    tables = query(
        target,
        f'SELECT count("{FIELDS[point]}") FROM "{READING}" WHERE "site" = {quoted(site)} '  # noqa: S608
        f"AND time >= {start_us}u AND time < {end_us}u",
    )
    return int(tables[0].rows[0][1]) if tables else 0


def quoted(text: str) -> str:
    r"""Return a text as a literal of InfluxQL.

    >>> print(quoted("o'neil"))
    'o\'neil'
    """
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n") + "'"


def _tables(body: bytes) -> list[Table]:
    try:
        results = json.loads(body)["results"]
    except (ValueError, LookupError, TypeError) as error:
        raise StoreError(f"the copy cannot be read: no answer to a query: {_short(body)}") from error
    found: list[Table] = []
    for result in results:
        if "error" in result:
            raise StoreError(f"the copy cannot be read: {result['error']}")
        found += [
            Table(series.get("tags", {}), series["columns"], series.get("values", ()))
            for series in result.get("series", ())
        ]
    return found


def _short(body: bytes) -> str:
    return " ".join(body.decode(errors="replace").split())[:_SHOWN]
