"""When a site whose readings came late is analysed anew: once they have stopped coming, and not too often."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from monitor.service.ports import Overdue

QUIET: Final = 60.0
"""Seconds without another late reading after which a device is taken to have sent all that it kept."""
LATEST: Final = 900.0
"""Seconds after which the work begins although late readings still come."""
SPACING: Final = 900.0
"""Seconds between the ends of one correction of a site and the beginning of the next."""


class Corrections:
    """Remembers since when each site waits. Times of the day; a clock that is set back makes no site wait."""

    def __init__(self) -> None:
        self._waiting: dict[str, tuple[int, float, float]] = {}  # times, first seen, last grown
        self._done: dict[str, float] = {}

    def due(self, overdue: Mapping[str, Overdue], now: float) -> list[str]:
        """Return the sites to be analysed anew, now that this is overdue."""
        for site in self._waiting.keys() - overdue.keys():
            del self._waiting[site]
        found = []
        for site, mark in overdue.items():
            times, first, grown = self._waiting.get(site, (0, now, now))
            if mark.times != times:
                grown = now
            self._waiting[site] = (mark.times, first, grown)
            ripe = _past(grown, now, QUIET) or _past(first, now, LATEST)
            if ripe and _past(self._done.get(site), now, SPACING):
                found.append(site)
        return found

    def done(self, site: str, now: float) -> None:
        """Note that a site has been corrected."""
        self._waiting.pop(site, None)
        self._done[site] = now


def _past(then: float | None, now: float, span: float) -> bool:
    return then is None or not 0.0 <= now - then < span
