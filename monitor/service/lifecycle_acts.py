"""What can be done to an event, and what comes of it: the words in which `monitor.service.lifecycle` is asked."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.diagnosis.faults import Finding
from monitor.service.lifecycle_records import Act, Shelf
from monitor.service.ports import Event


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A person has seen it."""

    who: str
    when: float


@dataclass(frozen=True, slots=True)
class Shelve:
    """A person wants to hear no more of it for a while."""

    shelf: Shelf


@dataclass(frozen=True, slots=True)
class Unshelve:
    """A person wants to hear of it again."""

    who: str
    when: float
    why: str


@dataclass(frozen=True, slots=True)
class Amend:
    """More is known of the finding."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class Return:
    """The finding has ended."""

    finding: Finding


@dataclass(frozen=True, slots=True)
class Explain:
    """Event ``cause`` is the first cause of this one; None: no longer. ``when``: data time [epoch s]."""

    cause: int | None
    when: float


@dataclass(frozen=True, slots=True)
class Lapse:
    """Time has reached ``now`` [epoch s]: shelves end."""

    now: float


Do = Acknowledge | Shelve | Unshelve | Amend | Return | Explain | Lapse


@dataclass(frozen=True, slots=True)
class Done:
    """The event as the act has left it, and the line for its audit trail."""

    event: Event
    act: Act
    who: str
    when: float
    why: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why the act is not possible: what is so, and what to do instead."""

    words: str
