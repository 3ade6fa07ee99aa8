"""Tells other programs, on retained topics, what the service knows; and until when they may believe it.

A word that a broker keeps outlives the service that said it: "holding" after the service died, or while its
worker hangs, would be a lie. So each says when it expires, and is only renewed while it is known to be true.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from monitor.errors import StoreError
from monitor.service.ports import Clock

LOG: Final = logging.getLogger("cushionwatch.teller")

LOOK: Final = 5.0
"""Seconds between two looks at all sites."""
RENEW: Final = 240.0
"""Seconds after which the same is told again."""
HOLDS: Final = 900.0
"""Seconds after which a reader must not believe what was told; more than three renewals."""
_TURNS: Final = 10  # of its loop in which nothing is said
_REST: Final = 3.0  # how many times as long as a site takes the next one waits: at most a quarter of a core

COUNTERS: Final = frozenset({"stored", "rejected"})
"""Keys that change all the time: no reason to say it anew."""

Said = Mapping[str, Any]
"""What is said, without the time."""

Write = Callable[[Said, float, float], bytes]


class Teller:
    """The thread that tells; what is slow or refuses is told late or expires.

    Parameters
    ----------
    sites : Sequence[str]
        Ids of the sites.
    verdict : Callable[[str], Said or None]
        What is to be said of a site now; None for nothing. May raise `StoreError`.
    state : Callable[[], Said]
        What is to be said of the service itself. May raise `StoreError`.
    write : Write
        From what is said, the time, and the time until which it holds, to bytes.
    publish : Callable[[str, bytes], None]
        Says it under a topic name; returns at once.
    clock : Clock
        Time of day.
    """

    def __init__(
        self,
        sites: Sequence[str],
        verdict: Callable[[str], Said | None],
        state: Callable[[], Said],
        write: Write,
        publish: Callable[[str, bytes], None],
        clock: Clock,
    ) -> None:
        self.beat = 0
        self._sites = tuple(sites)
        self._verdict = verdict
        self._state = state
        self._write = write
        self._publish = publish
        self._clock = clock
        self._told: dict[str, tuple[Said, float]] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="teller", daemon=True)

    @property
    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin to tell; returns at once."""
        self._thread.start()

    def stop(self, timeout: float = 2.0) -> bool:
        """Stop; False if it hangs at the store."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)
        return not self._thread.is_alive()

    def words(self) -> list[str]:
        """Return the verdict that was last said of each site, as long as it holds."""
        now = self._clock.now()
        said = [self._told.get(f"verdict/{site}") for site in self._sites]
        return [str(one[0]["verdict"]) for one in said if one is not None and abs(now - one[1]) < HOLDS]

    def round(self) -> None:
        """Look at every site, and say what has changed or must be renewed."""
        for site in self._sites:
            began = time.monotonic()
            self._tell(f"verdict/{site}", lambda site=site: self._verdict(site))  # type: ignore[misc]
            self.beat += 1
            if self._stopping.wait(_REST * (time.monotonic() - began)):
                return
        self._tell("state", self._state)
        self.beat += 1

    def _tell(self, name: str, say: Callable[[], Said | None]) -> None:
        try:
            self._tell_news(name, say())
        except StoreError as error:
            LOG.debug("%s is not renewed: %s", name, error)
        except Exception:
            LOG.exception("%s is not renewed: unexpected", name)

    def _tell_news(self, name: str, said: Said | None) -> None:
        if said is None:
            return
        now = self._clock.now()
        before, when = self._told.get(name, (None, 0.0))
        if before is not None and _news(said) == _news(before) and abs(now - when) < RENEW:
            return
        self._publish(name, self._write(said, now, now + HOLDS))
        self._told[name] = said, now

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.round()
            for _ in range(_TURNS):
                self.beat += 1
                self._stopping.wait(LOOK / _TURNS)


def _news(said: Said) -> dict[str, Any]:
    return {key: value for key, value in said.items() if key not in COUNTERS}
