"""Log lines that a fault outside could make without end: the first ones of a minute, and how many were left out."""

from __future__ import annotations

import logging
import math
from typing import Final

LINES: Final = 10
"""Lines in a minute."""
MINUTE: Final = 60.0


class Sparing:
    """A log that leaves out what is too much."""

    def __init__(self, log: logging.Logger) -> None:
        self._log = log
        self._since = -math.inf
        self._count = 0

    def warn(self, now: float, line: str) -> None:
        """Write a line, unless `LINES` were written in the minute before ``now`` [epoch s]."""
        if not 0 <= now - self._since < MINUTE:
            if self._count > LINES:
                self._log.warning("%d more lines like these were left out", self._count - LINES)
            self._since, self._count = now, 0
        self._count += 1
        if self._count <= LINES:
            self._log.warning("%s", line)
