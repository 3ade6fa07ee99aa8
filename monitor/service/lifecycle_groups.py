"""Events that belong together: what one explains, many sites that raise the same, and more than a person can take in.

Pure functions on events as the store gives them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.causes import EXPLAINS
from monitor.diagnosis.faults import Fault
from monitor.service.ports import Event

TOGETHER: Final = 600.0
"""Seconds between two raises of one fault at different sites up to which they are thought to have one cause: what sites
share (a broker, a provider, the street) fails for all of them within minutes, and their devices report every few."""

MANY: Final = 3
"""Sites from which on it is a group: two may meet by chance."""

FLOOD_SPAN: Final = 600.0
"""The span in which the standard counts. [s]"""
FLOOD_BEGINS: Final = 10
"""More than so many to one person within `FLOOD_SPAN` are a flood (ISA-18.2, EEMUA 191; second-hand)."""
FLOOD_ENDS: Final = 5
"""Fewer than so many within `FLOOD_SPAN` end one."""


@dataclass(frozen=True, slots=True)
class Group:
    """One fault raised at many sites within minutes: ``events`` in the order in which they were raised."""

    fault: Fault
    events: Sequence[Event]

    @property
    def sites(self) -> Sequence[str]:
        """Return the sites, each once."""
        return list(dict.fromkeys(event.site for event in self.events))

    @property
    def first(self) -> float:
        """Return when the first was raised. [epoch s]."""
        return self.events[0].finding.raised

    @property
    def last(self) -> float:
        """Return when the last was raised. [epoch s]."""
        return self.events[-1].finding.raised


@dataclass(frozen=True, slots=True)
class Flood:
    """Whether a person gets more than can be read: ``count`` within the last `FLOOD_SPAN`."""

    active: bool
    count: int


def grouped(events: Iterable[Event], now: float) -> list[Group]:
    """Return the groups among the events that stand at ``now`` (epoch s), the first raised first.

    Raises of one fault belong together as long as each follows the one before within `TOGETHER`.
    """
    standing = sorted(
        (event for event in events if event.state.active and event.finding.raised <= now),
        key=lambda event: (event.finding.fault, event.finding.raised, event.number),
    )
    runs: list[list[Event]] = []
    for event in standing:
        if runs and _follows(runs[-1][-1], event):
            runs[-1].append(event)
        else:
            runs.append([event])
    groups = [Group(run[0].finding.fault, tuple(run)) for run in runs]
    return sorted((group for group in groups if len(group.sites) >= MANY), key=lambda group: group.first)


def flood(times: Iterable[float], now: float, *, active: bool = False) -> Flood:
    """Return whether what one person was told at ``times`` (epoch s) is a flood at ``now``.

    ``active``: whether it was one before; a flood ends lower than it begins. Of those who answer for different sites
    each has times of their own.
    """
    count = sum(1 for time in times if now - FLOOD_SPAN < time <= now)
    return Flood(count >= FLOOD_ENDS if active else count > FLOOD_BEGINS, count)


def explains(event: Event, events: Iterable[Event]) -> list[Event]:
    """Return the events of the same site that this one is the first cause of.

    Those that it keeps quiet, and those that gave way to it: they ended with the reading that raised it.
    """
    known = EXPLAINS.get(event.finding.fault, frozenset())
    return [
        other
        for other in events
        if other.site == event.site
        and other.number != event.number
        and other.finding.fault in known
        and (other.cause == event.number or other.finding.ended == event.finding.raised)
    ]


def _follows(before: Event, after: Event) -> bool:
    same = before.finding.fault is after.finding.fault
    return same and after.finding.raised - before.finding.raised <= TOGETHER
