"""What is written down of an event beside its finding: acts, shelves, and sites that are being worked on.

States after IEC 62682. An event keeps its state while it is kept quiet, so that what is shelved and returns to
normal is not lost: `Silence` says why people are not told of it now, and is never a state of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from monitor.readings import Point

SERVICE: Final = "service"
"""Who did what no person did, in an audit trail."""


class Silence(StrEnum):
    """Why people are not told of an event that stands."""

    SHELVED = "shelved"
    OUT_OF_SERVICE = "out_of_service"
    BY_DESIGN = "suppressed_by_design"
    CHATTERING = "chattering"


class Act(StrEnum):
    """What was done to an event or to a site, in an audit trail."""

    RAISED = "raised"
    AMENDED = "amended"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelf_ended"
    SUPPRESSED = "suppressed"
    RELEASED = "released"
    TAKEN_OUT = "taken_out_of_service"
    PUT_BACK = "put_back_in_service"
    TOLD = "told"
    ESCALATED = "escalated"


@dataclass(frozen=True, slots=True)
class Shelf:
    """A person wants to hear no more of an event from ``since`` until ``until`` (epoch s).

    ``urgent``: that holds though the event is urgent; a person has confirmed it a second time.
    """

    since: float
    until: float
    who: str
    why: str
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class OutOfService:
    """A site, or one ``point`` of it, that is being worked on until a person says otherwise; times epoch s.

    ``urgent_until``: until then urgent events are not told either; None: they are.
    """

    number: int
    site: str
    point: Point | None
    since: float
    who: str
    why: str
    urgent_until: float | None = None
    ended: float | None = None
    ended_who: str = ""
    ended_why: str = ""


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the audit trail of all events: at ``time`` (epoch s) ``who`` did ``act``, and why.

    ``event`` and ``fault`` are None and empty where a site as a whole is meant, ``before`` and ``after`` are the
    states around the act (empty where there is none), ``act`` is empty where an older version wrote the line.
    """

    time: float
    site: str
    event: int | None
    fault: str
    act: str
    before: str
    after: str
    who: str
    why: str
