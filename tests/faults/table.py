"""What came of an injury, and the table of all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

HEAD: Final = (
    "fault", "times", "sent", "stored", "rejected", "lost", "twice", "gaps listed",
    "alerts owed", "delivered", "sent twice", "missing", "worst [s]", "verdict",
)  # fmt: skip
UNCOUNTED: Final = "-"


@dataclass
class Row:
    """One fault: what was counted, and which promises it broke.

    ``sent`` counts samples that the broker took from devices (or the store was given), ``stored`` those found
    in the store with their value, ``rejected`` those listed as refused, ``lost`` those in neither, ``twice``
    those found more than once. ``gaps`` is how many missing samples the service itself lists. None: does not
    apply. ``worst``: the longest time [s] until the service was itself again; ``means`` says of what.
    """

    fault: str
    times: int = 0
    sent: int | None = None
    stored: int | None = None
    rejected: int | None = None
    lost: int | None = None
    twice: int | None = None
    gaps: int | None = None
    owed: int | None = None
    delivered: int | None = None
    sent_twice: int | None = None
    missing: int | None = None
    worst: float | None = None
    means: str = ""
    broken: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    skipped: str = ""

    def require(self, kept: object, promise: str) -> None:
        """Note a broken promise unless ``kept``; each is told once."""
        if not kept and promise not in self.broken:
            self.broken.append(promise)

    def took(self, seconds: float) -> None:
        """Keep the longest time."""
        self.worst = max(seconds, self.worst or 0.0)

    @property
    def verdict(self) -> str:
        """Return ``kept``, ``BROKEN`` or ``skipped``."""
        return "skipped" if self.skipped else "BROKEN" if self.broken else "kept"

    def cells(self) -> tuple[str, ...]:
        """Return the row as text."""
        counts = (
            self.sent, self.stored, self.rejected, self.lost, self.twice, self.gaps,
            self.owed, self.delivered, self.sent_twice, self.missing,
        )  # fmt: skip
        shown = [UNCOUNTED if count is None else f"{count}" for count in counts]
        worst = UNCOUNTED if self.worst is None else f"{self.worst:.1f}"
        return (self.fault, f"{self.times}", *shown, worst, self.verdict)

    def words(self) -> list[str]:
        """Return what the cells do not say."""
        told = [f"worst: {self.means}"] if self.means and self.worst is not None else []
        skipped = [f"skipped: {self.skipped}"] if self.skipped else []
        return [*skipped, *(f"BROKEN: {promise}" for promise in self.broken), *told, *self.notes]


def table(rows: Sequence[Row]) -> str:
    """Return the rows in columns that Markdown reads too, and below them what they do not say."""
    cells = [HEAD, *(row.cells() for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(HEAD))]
    lines = ["| " + " | ".join(map(str.ljust, line, widths)) + " |" for line in cells]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    told = [f"- {row.fault}: {word}" for row in rows for word in row.words()]
    return "\n".join([*lines, "", *told])
