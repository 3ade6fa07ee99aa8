"""The only place that asks the machine for the time of day."""

from __future__ import annotations

import time


class SystemClock:
    """Time of day of this machine."""

    def now(self) -> float:
        """Return epoch seconds UTC."""
        return time.time()  # noqa: TID251 - this is the one place that may
