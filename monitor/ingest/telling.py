"""What the log says of the connection to the broker: each trouble with its reason, and that it is over.

A broker that is away is tried again every few seconds, so the same words come again and again; a log needs
them once a minute. Words hold no secret: they are those of `monitor.ingest.refusals`.
"""

from __future__ import annotations

import logging
import math
from typing import Final

from monitor.service.ports import Clock

LOG: Final = logging.getLogger("cushionwatch.broker")

REPEAT: Final = 60.0
"""Seconds in which the same trouble is not told again."""


class Telling:
    """The last word on the connection, for the page, and the log of all of them.

    Parameters
    ----------
    clock : Clock
        Tells when a minute has passed; one that is set back or forth at worst repeats a line.
    """

    def __init__(self, clock: Clock) -> None:
        self.detail = "not started"
        self._clock = clock
        self._told: dict[str, float] = {}
        self._well = False

    def trouble(self, detail: str) -> None:
        """Warn, unless the log has the same words of the last minute."""
        self.detail = detail
        now = self._clock.now()
        if abs(now - self._told.get(detail, -math.inf)) < REPEAT:
            return
        self._told = {words: when for words, when in self._told.items() if abs(now - when) < REPEAT}
        self._told[detail] = now
        self._well = False
        LOG.warning("%s", detail)

    def well(self, words: str) -> None:
        """Say that messages can arrive, unless that is what the log says already."""
        if not self._well:
            self._well = True
            LOG.info("%s", words)
