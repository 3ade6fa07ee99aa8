"""What is done for a channel beside sending: arranging what it is owed, and finishing what is sent."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Protocol

from monitor.service.ports import Alert


class Looks(Protocol):
    """What arranges the deliveries of a channel before one of them is sent."""

    def look(self, now: float) -> None:
        """Arrange them. ``now``: epoch s. May raise `StoreError`."""


@dataclass(frozen=True, slots=True)
class Care:
    """What is done for one channel beside sending.

    ``clerk`` arranges what is owed; ``finish`` puts in what is made when it is sent (link, pictures). Neither holds
    up an alert that is due: one that fails is left out.
    """

    clerk: Looks
    finish: Callable[[Alert], Alert]


NO_CARE: Final[Mapping[str, Care]] = MappingProxyType({})
