"""What is owed because time has passed: escalations, and the daily word that the service is alive. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from monitor.alerting.daytimes import last_slot
from monitor.alerting.people import Book, Recipient
from monitor.diagnosis.timings import respond_within
from monitor.service.ports import Unanswered
from monitor.site import Site

LATEST: Final = 12 * 3600.0
"""Age from which a heartbeat that could not be sent is left out: the next one is near. [s]"""


@dataclass(frozen=True, slots=True)
class Fleet:
    """What a heartbeat tells: how many sites are watched, which are blind, how many faults stand.

    ``broken``: how many alerts were given up; ``problems``: what the service says of itself.
    """

    watched: int
    blind: tuple[str, ...] = ()
    faults: int = 0
    broken: int = 0
    problems: tuple[str, ...] = ()


class Escalation(NamedTuple):
    """Recipient ``who`` is told of an event because nobody has acknowledged it; ``step`` counts from 1."""

    who: Recipient
    unanswered: Unanswered
    site: Site
    step: int


def escalations(
    book: Book, sites: Mapping[str, Site], unanswered: Iterable[Unanswered], now: float
) -> Iterator[Escalation]:
    """Yield whom to tell by ``now`` (epoch s): one step of the chain for each time to respond that has passed."""
    for one in unanswered:
        site = sites.get(one.event.site)
        if site is None:
            continue
        length = respond_within(one.event.finding)
        for step, people in enumerate(book.chain(site, one.event.finding), 1):
            if now >= one.told + step * length:
                for who in people:
                    yield Escalation(who, one, site, step)


def heartbeats(
    book: Book, zone_of: Callable[[Recipient], str], now: float
) -> Iterator[tuple[Recipient, float]]:
    """Yield whom to tell that the service is alive, and the instant for which that is."""
    for one in book.people():
        if one.manner is None or one.manner.heartbeat is None:
            continue
        slot = last_slot(one.manner.heartbeat, now, zone_of(one))
        if now - slot < LATEST:
            yield one, slot
