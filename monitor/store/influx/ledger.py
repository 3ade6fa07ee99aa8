"""What is still owed to the copy, what it will not get, and what it refused: a file of its own.

Rows leave ``owed`` in the order in which they were first marked, which is the order of commits. A row that
the copier has taken stays until the database has all of it; what is stored in its hour meanwhile makes
another row.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

import apsw

from monitor.readings import Reading
from monitor.store.database import Database
from monitor.store.tables import microseconds, storable

HOUR_US: Final = 3_600_000_000
EVENTS: Final = "events"
"""Kind of a row that owes the events of a site; other kinds are the points of readings."""
LINES: Final = "state"
"""Kind of a gap in what is only sampled: verdicts and estimates of the air charge."""
DOUBTED: Final = 60.0
"""Seconds for which a confirmed span is sent again if the database goes away: some write to the disk later."""
KEEP_ASIDE: Final = 100_000
"""Refused points that stay listed, and gaps."""

_SCHEMA: Final = """
CREATE TABLE owed (  -- of this hour of a series something from first to last is owed
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL, site TEXT NOT NULL, hour INTEGER NOT NULL, taken INTEGER NOT NULL DEFAULT 0,
    first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, UNIQUE (kind, site, hour, taken)
) STRICT;
CREATE TABLE line (id INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL) STRICT;
CREATE TABLE reached (site TEXT PRIMARY KEY, charge_us INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE aside (
    id INTEGER PRIMARY KEY AUTOINCREMENT, line TEXT NOT NULL UNIQUE, reason TEXT NOT NULL, noticed REAL NOT NULL
) STRICT;
CREATE TABLE gap (
    id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, site TEXT NOT NULL,
    first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, why TEXT NOT NULL, noticed REAL NOT NULL
) STRICT;
CREATE INDEX gap_by_series ON gap (kind, site, last_us);
"""

_RECENT: Final = """
CREATE TABLE recent (  -- confirmed by the database a moment ago, perhaps not yet on its disk
    kind TEXT NOT NULL, site TEXT NOT NULL, hour INTEGER NOT NULL,
    first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, confirmed REAL NOT NULL, PRIMARY KEY (kind, site, hour)
) STRICT, WITHOUT ROWID;
"""


_OWE: Final = "INSERT INTO owed (kind, site, hour, first_us, last_us)"
_WIDEN: Final = (
    "ON CONFLICT DO UPDATE SET first_us = min(first_us, excluded.first_us), "
    "last_us = max(last_us, excluded.last_us)"
)
_NOTE_RECENT: Final = f"INSERT INTO recent VALUES (?, ?, ?, ?, ?, ?) {_WIDEN}, confirmed = excluded.confirmed"  # noqa: S608


class Span(NamedTuple):
    """Something is owed of a series from ``first_us`` to ``last_us``, both included."""

    id: int
    kind: str
    site: str
    first_us: int
    last_us: int


class Gap(NamedTuple):
    """What the copy will not get unless it is asked for again. Times in microseconds; ``noticed`` epoch s."""

    kind: str
    site: str
    first_us: int
    last_us: int
    why: str
    noticed: float


class Aside(NamedTuple):
    """A point that the database refused."""

    line: str
    reason: str
    noticed: float


class Ledger:
    """The file of what is owed; safe to call from any thread.

    Parameters
    ----------
    path : Path
        File; made where there is none.
    most : int
        Rows owed at most (hours of a series); beyond them the oldest become gaps.
    """

    def __init__(self, path: Path, *, most: int = 200_000) -> None:
        self._database = Database(path, migrations=(_SCHEMA, _RECENT))
        self._most = most
        self._lock = threading.RLock()

    def close(self) -> None:
        """Release the file."""
        self._database.close()

    # ---- what is owed

    @contextmanager
    def owing(self, readings: Sequence[Reading]) -> Iterator[None]:
        """Mark readings as owed; inside the ``with`` block they are stored, and nobody takes the marks."""
        hours: dict[tuple[str, str, int], tuple[int, int]] = {}
        for reading in filter(storable, readings):
            stamp = microseconds(reading.time)
            key = (reading.point.value, reading.site, stamp // HOUR_US)
            first, last = hours.get(key, (stamp, stamp))
            hours[key] = min(first, stamp), max(last, stamp)
        with self._lock:
            self.mark(hours)
            yield

    @contextmanager
    def owing_events(self, site: str) -> Iterator[None]:
        """Mark the events of a site as owed, and keep the mark from being taken inside the block."""
        with self._lock:
            self.mark({(EVENTS, site, 0): (0, 0)})
            yield

    def mark(self, hours: Mapping[tuple[str, str, int], tuple[int, int]]) -> None:
        """Owe spans: (kind, site, hour) to first and last time."""
        if not hours:
            return
        with self._database.write() as db:
            db.executemany(
                f"{_OWE} VALUES (?, ?, ?, ?, ?) {_WIDEN}", [(*key, *span) for key, span in hours.items()]
            )

    def room(self) -> int:
        """Return how many more rows can be owed before the oldest become gaps."""
        with self._database.read() as db:
            return self._most - _count(db, "SELECT count(*) FROM owed")

    def take(self, limit: int) -> list[Span]:
        """Return the rows that are taken already, else take up to ``limit`` of the oldest."""
        with self._lock, self._database.write() as db:
            found = _owed(db, taken=1)
            if not found:
                found = _owed(db, taken=0, limit=limit)
                db.executemany("UPDATE owed SET taken = 1 WHERE id = ?", [(span.id,) for span in found])
            return found

    def strike(self, spans: Sequence[Span], now: float) -> None:
        """Owe spans no longer: the database has confirmed them. They can be doubted for a while."""
        rows = [
            (span.kind, span.site, span.first_us // HOUR_US, span.first_us, span.last_us, now)
            for span in spans
        ]
        with self._database.write() as db:
            db.executemany("DELETE FROM owed WHERE id = ?", [(span.id,) for span in spans])
            db.execute("DELETE FROM recent WHERE confirmed NOT BETWEEN ? AND ?", (now - DOUBTED, now))
            db.executemany(_NOTE_RECENT, rows)

    def doubt(self) -> None:
        """Owe again what was confirmed a moment ago: the database may have lost it when it went away."""
        with self._lock, self._database.write() as db:
            db.execute(
                f"{_OWE} SELECT kind, site, hour, first_us, last_us FROM recent WHERE true {_WIDEN}"  # noqa: S608
            )
            db.execute("DELETE FROM recent")

    def trim(self, now: float) -> int:
        """Make gaps of the oldest rows beyond the bound; return how many that were."""
        with self._lock, self._database.write() as db:
            over = _count(db, "SELECT count(*) FROM owed") - self._most
            if over > 0:
                why = f"more than {self._most} hours of a series were owed"
                for span in _owed(db, taken=0, limit=over):
                    _add_gap(db, span, why, now)
                    db.execute("DELETE FROM owed WHERE id = ?", (span.id,))
            beyond = "id <= (SELECT max(id) FROM line) - ?"
            dropped = _count(db, f"SELECT count(*) FROM line WHERE {beyond}", self._most)  # noqa: S608
            if dropped:
                db.execute(f"DELETE FROM line WHERE {beyond}", (self._most,))  # noqa: S608
                _add_gap(db, Span(0, LINES, "", 0, 0), f"{dropped} samples beyond the bound", now)
            return max(over, 0) + dropped

    # ---- samples of state

    def sample(self, site: str, line: str, charges: Callable[[int], list[tuple[int, str]]]) -> None:
        """Owe a line, and those estimates of the air charge that are newer than the last one owed.

        ``charges`` returns (time in microseconds, line), oldest first, of what is newer than its argument.
        """
        with self._database.write() as db:
            row = db.execute("SELECT charge_us FROM reached WHERE site = ?", (site,)).fetchone()
            newer = charges(-1 if row is None else int(row[0]))
            lines = [text for _, text in newer] + ([line] if line else [])
            db.executemany("INSERT INTO line (line) VALUES (?)", [(text,) for text in lines])
            if newer:
                db.execute("INSERT OR REPLACE INTO reached VALUES (?, ?)", (site, newer[-1][0]))

    def lines(self, limit: int) -> dict[int, str]:
        """Return the oldest owed lines by their numbers."""
        with self._database.read() as db:
            return dict(db.execute("SELECT id, line FROM line ORDER BY id LIMIT ?", (limit,)))

    def strike_lines(self, last: int) -> None:
        """Forget owed lines up to a number."""
        with self._database.write() as db:
            db.execute("DELETE FROM line WHERE id <= ?", (last,))

    # ---- what the copy does not get

    def set_aside(self, line: str, reason: str, now: float) -> bool:
        """List a refused point; False if it is listed already. The newest stay."""
        with self._database.write() as db:
            before = db.total_changes()
            db.execute(
                "INSERT INTO aside (line, reason, noticed) SELECT :line, :reason, :now "
                "WHERE NOT EXISTS (SELECT 1 FROM aside WHERE line = :line)",
                {"line": line, "reason": reason, "now": now},
            )
            new = db.total_changes() > before
            db.execute("DELETE FROM aside WHERE id <= (SELECT max(id) FROM aside) - ?", (KEEP_ASIDE,))
            return new

    def give_up(self, span: Span, why: str, now: float) -> None:
        """List a span as a gap; `strike` it afterwards."""
        with self._database.write() as db:
            _add_gap(db, span, why, now)

    def aside(self, limit: int) -> list[Aside]:
        """Return the newest refused points, newest first."""
        with self._database.read() as db:
            rows = db.execute("SELECT line, reason, noticed FROM aside ORDER BY id DESC LIMIT ?", (limit,))
            return [Aside(*row) for row in rows]

    def gaps(self, limit: int) -> list[Gap]:
        """Return the newest gaps, newest first."""
        with self._database.read() as db:
            rows = db.execute(
                "SELECT kind, site, first_us, last_us, why, noticed FROM gap ORDER BY id DESC LIMIT ?",
                (limit,),
            )
            return [Gap(*row) for row in rows]

    def counts(self) -> tuple[int, int, int]:
        """Return how many rows are owed, how many points were ever set aside, and how many gaps there are."""
        with self._database.read() as db:
            owed = _count(db, "SELECT (SELECT count(*) FROM owed) + (SELECT count(*) FROM line)")
            aside = _count(db, "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'aside'")
            return owed, aside, _count(db, "SELECT count(*) FROM gap")


def _add_gap(db: apsw.Connection, span: Span, why: str, now: float) -> None:
    """Add a gap; one that follows another of its series within two hours makes that one longer."""
    db.execute(
        "UPDATE gap SET last_us = max(last_us, :last), noticed = :now WHERE id = (SELECT id FROM gap WHERE "
        "kind = :kind AND site = :site AND last_us >= :first - 2 * :hour AND first_us <= :first LIMIT 1)",
        values := {
            "first": span.first_us, "last": span.last_us, "kind": span.kind, "site": span.site,
            "why": why, "now": now, "hour": HOUR_US,
        },
    )  # fmt: skip
    if not db.changes():
        db.execute(
            "INSERT INTO gap (kind, site, first_us, last_us, why, noticed) "
            "VALUES (:kind, :site, :first, :last, :why, :now)",
            values,
        )
        db.execute("DELETE FROM gap WHERE id <= (SELECT max(id) FROM gap) - ?", (KEEP_ASIDE,))


def _owed(db: apsw.Connection, *, taken: int, limit: int = -1) -> list[Span]:
    """Return rows, oldest first; -1: all of them."""
    rows: Any = db.execute(
        "SELECT id, kind, site, first_us, last_us FROM owed WHERE taken = ? ORDER BY id LIMIT ?",
        (taken, limit),
    )
    return [Span(*row) for row in rows]


def _count(db: apsw.Connection, query: str, *values: int) -> int:
    row: Any = db.execute(query, values).fetchone()
    return int(row[0])
