"""The log of the service on stderr: one line per entry, whatever a device or a broker put into it."""

from __future__ import annotations

import logging
import sys
import time
from typing import Final

_CONTROL: Final = {code: f"\\x{code:02x}" for code in (*range(32), *range(127, 160), 0x2028, 0x2029)}
"""Characters that could forge a second entry or command a terminal, and how they are shown."""


class OneLine(logging.Formatter):
    """Time in UTC, level, name and message, control characters escaped; a traceback follows as it is."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s")

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:  # noqa: ARG002, N802
        """Return when the entry was made."""
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(record.created))

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """Return the entry without its traceback."""
        return super().formatMessage(record).translate(_CONTROL)


def set_up(level: int) -> None:
    """Send the log to stderr from ``level`` on; other libraries only where they warn."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(OneLine())
    logging.basicConfig(level=max(level, logging.WARNING), handlers=[handler], force=True)
    logging.getLogger("cushionwatch").setLevel(level)
