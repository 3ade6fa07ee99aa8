"""The log of the service on stderr: one entry a line, whatever a device or a broker put into it.

As text for people, or as JSON for programs that collect logs. Secrets never come here: whoever writes an entry
words it without them, and a test looks for them.
"""

from __future__ import annotations

import json
import logging
import math
import sys
import time
from typing import Any, Final

_CONTROL: Final = {
    code: f"\\x{code:02x}" for code in (*range(32), *range(127, 160), 0x2028, 0x2029, *range(0xD800, 0xE000))
}
"""Characters that could forge a second entry, command a terminal or break the stream, and how they are shown."""

_OWN: Final = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}
"""What every record has; the rest are the fields that an entry adds."""

LEVELS: Final = {
    "debug": logging.DEBUG,
    "info": logging.INFO,
    "warning": logging.WARNING,
    "error": logging.ERROR,
}


class OneLine(logging.Formatter):
    """Time in UTC, level, name and message, control characters escaped; a traceback follows, each line set in."""

    def __init__(self) -> None:
        super().__init__("%(asctime)s %(levelname)s %(name)s: %(message)s")

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:  # noqa: ARG002, N802
        """Return when the entry was made."""
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(record.created))

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """Return the entry without its traceback."""
        return super().formatMessage(record).translate(_CONTROL)

    def formatException(self, ei: Any) -> str:  # noqa: N802 - the library's name
        """Return a traceback of which no line can be taken for an entry."""
        lines = super().formatException(ei).split("\n")
        return "\n".join(f"    {line.translate(_CONTROL)}" for line in lines)


class JsonLine(logging.Formatter):
    """One JSON object: time in UTC, level, logger, message, the fields that the entry adds, and a traceback."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the entry; pure ASCII, so that no reader sees an end of line in it."""
        whole = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
        entry: dict[str, object] = {
            "time": f"{whole}.{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        entry |= {
            key: _plain(value) for key, value in vars(record).items() if key not in _OWN and key not in entry
        }
        if record.exc_info:
            entry["exception"] = self.formatException(record.exc_info)
        return json.dumps(entry, allow_nan=False, default=str)


def set_up(level: int, form: str = "text") -> None:
    """Send the log to stderr from ``level`` on as ``text`` or ``json``; other libraries only where they warn."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLine() if form == "json" else OneLine())
    logging.basicConfig(level=max(level, logging.WARNING), handlers=[handler], force=True)
    logging.getLogger("cushionwatch").setLevel(level)


def _plain(value: object) -> object:
    """Return a value that JSON has."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value if isinstance(value, str | int | float | None) else str(value)
