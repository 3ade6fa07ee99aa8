"""What the broker says that it has dropped: mosquitto tells a count, for all its clients together."""

from __future__ import annotations

import logging
import math
from typing import Final

LOG: Final = logging.getLogger("cushionwatch.broker")

DROPPED: Final = "$SYS/broker/publish/messages/dropped"
"""Topic of the count, since the start of the broker; others do not have it, or do not let us read it."""
WARNED: Final = 86400.0
"""Seconds for which a growth is shown."""
_DIGITS: Final = 18


class Drops:
    """The count as it was told last, and whether it has grown lately; time is an argument [epoch s]."""

    def __init__(self) -> None:
        self.count: int | None = None
        self._grown = 0
        self._when = -math.inf
        self._excused = -math.inf

    def excuse(self, until: float) -> None:
        """Take growth until then for our own doing: the check of the broker's queue makes it drop."""
        self._excused = until

    def take(self, payload: bytes, now: float) -> None:
        """Note what the broker tells; a smaller count is that of a broker that was started anew."""
        text = payload.decode("ascii", "replace").strip()
        if not text.isdecimal() or len(text) > _DIGITS:
            return
        before, self.count = self.count, int(text)
        if before is None:
            if self.count:
                LOG.info("the broker has dropped %d messages, of any client, since its start", self.count)
            return
        more = self.count - before if self.count >= before else self.count
        if more and now > self._excused:
            self._grown = more + (self._grown if now - self._when < WARNED else 0)
            self._when = now
            LOG.warning("%s", self._words())

    def warnings(self, now: float) -> list[str]:
        """Return what has been dropped in the last day, in words."""
        return [self._words()] if 0 <= now - self._when < WARNED else []

    def _words(self) -> str:
        return (
            f"the broker has dropped {self._grown} messages, of this or another client: were they ours, readings are "
            "lost; see max_queued_messages in deploy/mosquitto.conf"
        )
