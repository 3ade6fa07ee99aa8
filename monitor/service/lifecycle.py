"""The life of an event: what an act makes of it, or why the act is refused. Pure; the store performs it.

An event that stands never leaves the list: an act changes who has seen it and whether people are told, and only the
diagnosis ends it. What is urgent is told unless a person has confirmed a second time that it need not be, and then
for a shift at most.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.diagnosis.causes import EXPLAINS
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.timings import CHATTER_HOLD, CHATTERS, longest_shelf
from monitor.readings import Point
from monitor.service.lifecycle_acts import (
    Acknowledge,
    Amend,
    Do,
    Done,
    Explain,
    Lapse,
    Refusal,
    Return,
    Shelve,
    Unshelve,
)
from monitor.service.lifecycle_records import SERVICE, Act, OutOfService, Shelf, Silence
from monitor.service.ports import Event, EventState

_DAY: Final = 86400.0

_COVERS: Final = {
    Point.PRESSURE: frozenset(Fault),  # all is concluded from it
    Point.HEATER: EXPLAINS[Fault.HEATER_STATE_FAULT] | {Fault.HEATER_STATE_FAULT, Fault.WATER_LOSS},
    Point.TEMPERATURE: frozenset(  # the growth of the water is
        {
            Fault.AIR_CHARGE_LOW,
            Fault.AIR_CUSHION_LOST,
            Fault.AIR_CHARGE_HIGH,
            Fault.TANK_UNDERSIZED,
            Fault.WATER_LOSS,
        }
    ),
}


def step(event: Event, do: Do) -> Done | Refusal | None:  # noqa: PLR0911 - one for each act
    """Return what ``do`` makes of an event; None where nothing is left to do, as for a second acknowledgement."""
    match do:
        case Acknowledge():
            return _acknowledge(event, do)
        case Shelve(shelf):
            return _shelve(event, shelf)
        case Unshelve():
            return _unshelve(event, do)
        case Amend(finding):
            return _amend(event, finding)
        case Return(finding):
            return _return(event, finding)
        case Explain():
            return _explain(event, do)
        case Lapse(now):
            return _lapse(event, now)


def silence(event: Event) -> Silence | None:
    """Return why people are not told of an event now, None where they are; the first reason of several."""
    urgent = is_urgent(event)
    if event.shelf is not None and (event.shelf.urgent or not urgent):
        return Silence.SHELVED
    if event.out is not None and (event.out.urgent_until is not None or not urgent):
        return Silence.OUT_OF_SERVICE
    if urgent:
        return None
    if event.cause is not None:
        return Silence.BY_DESIGN
    return Silence.CHATTERING if event.held else None


def is_urgent(event: Event) -> bool:
    """Tell whether a relief valve discharges."""
    return rationale_of(event.finding).urgent


def holds_back(finding: Finding, raises: int) -> bool:
    """Tell whether a raise, the ``raises``-th within `CHATTER_SPAN`, is not told for now.

    The one that makes it chatter is told, as a notice for all that follow; what is urgent always is.
    """
    return raises > CHATTERS and not rationale_of(finding).urgent


def covers(out: OutOfService, site: str, fault: Fault) -> bool:
    """Tell whether work on a site or a point of it keeps a fault there quiet."""
    return out.site == site and (out.point is None or fault in _COVERS[out.point])


def cause_among(fault: Fault, standing: Iterable[Event]) -> Event | None:
    """Return the event, of those that stand at the same site, whose fault is the first cause of ``fault``."""
    return next(
        (
            event
            for event in standing
            if event.state.active and fault in EXPLAINS.get(event.finding.fault, frozenset())
        ),
        None,
    )


# ---- each act


def _acknowledge(event: Event, do: Acknowledge) -> Done | None:
    after = {
        EventState.ACTIVE_UNACKNOWLEDGED: EventState.ACTIVE_ACKNOWLEDGED,
        EventState.RETURNED_UNACKNOWLEDGED: EventState.NORMAL,
    }.get(event.state)
    if after is None:
        return None
    return Done(replace(event, state=after), Act.ACKNOWLEDGED, do.who, do.when, "acknowledged")


def _shelve(event: Event, shelf: Shelf) -> Done | Refusal:
    number = event.number
    if not event.state.active:
        return Refusal(f"event {number} is over: there is nothing to shelve")
    if is_urgent(event) and not shelf.urgent:
        return Refusal(
            f"event {number} is urgent, for a relief valve discharges: it is shelved only when you confirm a second "
            "time that somebody is there, and for a shift at most"
        )
    longest = longest_shelf(event.finding)
    length = shelf.until - shelf.since
    if not (math.isfinite(length) and length > 0.0):
        return Refusal("the end of a shelf must lie ahead")
    if length > longest:
        kind = "urgent" if is_urgent(event) else f"{event.finding.severity.value} priority"
        return Refusal(
            f"event {number} is {kind}: it can be shelved for {_length(longest)} at a time at most, not for "
            f"{_length(length)}; acknowledge it, or take the site out of service while it is worked on"
        )
    # A confirmation that was not needed does not keep quiet what becomes urgent later.
    kept = replace(shelf, urgent=is_urgent(event))
    return Done(replace(event, shelf=kept), Act.SHELVED, shelf.who, shelf.since, shelf.why)


def _unshelve(event: Event, do: Unshelve) -> Done | Refusal:
    if event.shelf is None:
        return Refusal(f"event {event.number} is not shelved")
    return Done(replace(event, shelf=None), Act.UNSHELVED, do.who, do.when, do.why)


def _amend(event: Event, finding: Finding) -> Done | None:
    if not event.state.active or not finding.evidence.keys() - event.finding.evidence.keys():
        return None
    after, why = replace(event, finding=finding), "amended with new facts"
    if is_urgent(after) and after.shelf is not None and not after.shelf.urgent:
        after, why = replace(after, shelf=None), f"{why}; it has become urgent, so it is shelved no more"
    return Done(after, Act.AMENDED, SERVICE, finding.raised, why)


def _return(event: Event, finding: Finding) -> Done | None:
    after = {
        EventState.ACTIVE_UNACKNOWLEDGED: EventState.RETURNED_UNACKNOWLEDGED,
        EventState.ACTIVE_ACKNOWLEDGED: EventState.NORMAL,
    }.get(event.state)
    if after is None or finding.ended is None:
        return None
    over = replace(event, finding=finding, state=after, shelf=None, out=None)
    return Done(over, Act.RETURNED, SERVICE, finding.ended, "returned to normal")


def _explain(event: Event, do: Explain) -> Done | None:
    if not event.state.active or event.cause == do.cause:
        return None
    after = replace(event, cause=do.cause)
    if do.cause is None:
        return Done(after, Act.RELEASED, SERVICE, do.when, f"event {event.cause} explains it no longer")
    return Done(after, Act.SUPPRESSED, SERVICE, do.when, f"event {do.cause} is its first cause")


def _lapse(event: Event, now: float) -> Done | None:
    if event.shelf is not None and event.shelf.until <= now:
        return Done(
            replace(event, shelf=None), Act.SHELF_ENDED, SERVICE, now, "the time of its shelf is over"
        )
    if event.held and event.state.active and event.finding.raised + CHATTER_HOLD <= now:
        why = "it has stood for a day: it does not come and go now"
        return Done(replace(event, held=False), Act.RELEASED, SERVICE, now, why)
    return None


def _length(seconds: float) -> str:
    if seconds < 2 * _DAY:
        return f"{seconds / 3600.0:.3g} h"
    return f"{seconds / _DAY:.3g} days"
