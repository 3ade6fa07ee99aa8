"""When does what the broker kept for us end? We send ourselves a mark at the start, which comes last."""

from __future__ import annotations

from typing import Final

BACKLOG_MOST: Final = 60.0
"""Seconds after which a resumed session counts as caught up even if our mark does not come back."""


class Backlog:
    """Whether messages are still those of our absence; time is an argument [epoch s]."""

    def __init__(self) -> None:
        self._mark: tuple[int, float] | None = None

    def begin(self, connection: int, now: float, *, resumed: bool) -> bytes | None:
        """Take note of a connection; return the mark to send where a session was resumed."""
        self._mark = (connection, now) if resumed else None
        return self._words()

    def end(self, payload: bytes) -> None:
        """Take note of a mark that has come; one of an earlier connection means nothing."""
        if payload == self._words():
            self._mark = None

    def lasts(self, now: float) -> bool:
        """Tell whether a message that comes now may have waited for us."""
        return self._mark is not None and now - self._mark[1] < BACKLOG_MOST

    @property
    def over(self) -> bool:
        """Tell whether the mark has come, or there was nothing to wait for."""
        return self._mark is None

    def _words(self) -> bytes | None:
        return None if self._mark is None else f"{self._mark[0]} {self._mark[1]}".encode()
