"""Which threads of the service stand still: alive, but with no turn of their loop for too long."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Final

PATIENCE: Final = 120.0
"""Seconds without a turn after which a part is said to stand still; its longest turn takes a few."""


class Progress:
    """Remembers when each part last moved; for any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._moved: dict[str, tuple[int, float]] = {}

    def stalled(self, beats: Mapping[str, int], now: float, patience: float = PATIENCE) -> list[str]:
        """Return the parts whose beat has not changed for more than ``patience`` s of monotonic time ``now``.

        A part that is seen for the first time counts as moved now.
        """
        with self._lock:
            for name, beat in beats.items():
                if self._moved.get(name, (None, 0.0))[0] != beat:
                    self._moved[name] = beat, now
            return [name for name in beats if now - self._moved[name][1] > patience]
