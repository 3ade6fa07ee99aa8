"""When what is owed to a person goes out, and what goes together. Pure: state and time in, a plan out.

Each look decides anew from what the outbox holds, so that a restart, or a clock that is set, changes no promise.

Decision: the first of several alike waits for the others (``group``), but what is urgent never does
    Sites that share a broker or a provider fall silent within minutes. One message that names them all, two minutes
    later, serves better than hundreds.
Decision: more than ten messages in ten minutes are a flood (ISA-18.2, EEMUA 191; second-hand)
    From the tenth on, all that waits goes into one message when the oldest of the ten is ten minutes old. What is
    urgent is put together too, but waits a minute at most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.alerting.daytimes import next_slot, quiet_until
from monitor.alerting.people import Manner
from monitor.service.lifecycle_groups import FLOOD_SPAN, MANY
from monitor.service.ports import NEVER, Alert, AlertKind, Hold, Merge, Plan, Sent, Wait, Waiting

STRETCH: Final = 5.0
"""How many times ``group`` the first waits at most where others keep coming."""

URGENT_PACE: Final = 60.0
"""Longest wait of what is urgent, in a flood. [s]"""

_OF_EVENTS: Final = frozenset({AlertKind.RAISED, AlertKind.ENDED, AlertKind.ESCALATED})

Compose = Callable[[AlertKind, Sequence[Waiting], float], Alert]
"""From what goes together, and the time, to the one message in its place."""


@dataclass(frozen=True, slots=True)
class Person:
    """What the plan needs of a recipient. ``zone``: that of the person; ``zone_of``: that of a site."""

    manner: Manner
    zone: str
    zone_of: Callable[[str], str]
    compose: Compose


@dataclass
class _Draft:
    holds: list[Hold] = field(default_factory=list)
    merges: list[Merge] = field(default_factory=list)

    def hold(self, one: Waiting, waits: Wait, due: float) -> None:
        if (one.waits, one.delivery.due) != (waits, due):
            self.holds.append(Hold(one.delivery.id, waits, due))

    def let_go(self, one: Waiting) -> None:
        if one.waits is not Wait.NOTHING:
            self.holds.append(Hold(one.delivery.id, Wait.NOTHING, 0.0))

    def merge(self, alert: Alert, parts: Iterable[Waiting], fault: str = "") -> None:
        self.merges.append(Merge(alert, [one.delivery.id for one in parts], fault))


def plan(person: Person, waiting: Sequence[Waiting], sent: Sequence[Sent], now: float) -> Plan:
    """Return what becomes of all that a person is owed at ``now`` (epoch s).

    ``waiting``: oldest first; ``sent``: what went out in the last `FLOOD_SPAN`.
    """
    draft = _Draft()
    ready = _sift(draft, person, waiting, now)
    _digest(draft, person, waiting, now)
    singles = _bunch(draft, person, ready, sent, now)
    _limit(draft, person, singles, sent, now)
    return Plan(draft.holds, draft.merges)


def let_all_go(waiting: Sequence[Waiting]) -> Plan:
    """Return the plan for a channel without a manner: what an earlier manner held goes at once."""
    draft = _Draft()
    for one in waiting:
        draft.let_go(one)
    return Plan(draft.holds)


def _sift(draft: _Draft, person: Person, waiting: Sequence[Waiting], now: float) -> list[Waiting]:
    """Return what may go now as far as hours and digests are concerned; of each event only the oldest."""
    by_event: dict[int, list[Waiting]] = {}
    for one in waiting:
        if one.delivery.alert.event is not None:
            by_event.setdefault(one.delivery.alert.event, []).append(one)
    ready = []
    for one in waiting:
        alert = one.delivery.alert
        if one.delivery.attempts or alert.kind not in _OF_EVENTS or alert.event is None:
            continue  # tried already, or no alert of an event: goes as it is
        same = by_event[alert.event]
        if one is not same[0]:
            continue
        if alert.urgent or not _kept_back(draft, person, same, now):
            ready.append(one)
    return ready


def _kept_back(draft: _Draft, person: Person, same: Sequence[Waiting], now: float) -> bool:
    """Hold what waits for the end of quiet hours, or for the digest; tell whether it does.

    ``same``: all that waits of one event, oldest first; what comes after an alert in the digest goes there too.
    """
    one, manner = same[0], person.manner
    alert = one.delivery.alert
    small = manner.digest != "off" and alert.severity in {kind.value for kind in manner.digest_for}
    # It came and went while it was quiet: a line in the digest is enough.
    end = quiet_until(manner.quiet, now, person.zone_of(alert.site))
    gone = one.waits is Wait.QUIET and end is None and not one.standing and alert.kind is not AlertKind.ENDED
    if one.waits is Wait.DIGEST or small or gone:
        due = one.delivery.due if one.waits is Wait.DIGEST else _digest_due(person, now)
        for part in same:
            if part.waits is not Wait.DIGEST:
                draft.hold(part, Wait.DIGEST, due)
        return True
    if end is not None:
        draft.hold(one, Wait.QUIET, end)
        return True
    return False


def _digest_due(person: Person, now: float) -> float:
    manner = person.manner
    if manner.digest == "off":
        return now
    return next_slot(manner.digest_at, now, person.zone, weekly=manner.digest == "weekly")


def _digest(draft: _Draft, person: Person, waiting: Sequence[Waiting], now: float) -> None:
    """Put all that waits for a digest into one when it is due."""
    parts = [one for one in waiting if one.waits is Wait.DIGEST]
    if parts and min(one.delivery.due for one in parts) <= now:
        draft.merge(person.compose(AlertKind.DIGEST, parts, now), parts)


def _bunch(
    draft: _Draft, person: Person, ready: Sequence[Waiting], sent: Sequence[Sent], now: float
) -> list[Waiting]:
    """Hold or put together what is alike; return the others."""
    alike: dict[tuple[str, AlertKind, bool], list[Waiting]] = {}
    for one in ready:
        alert = one.delivery.alert
        alike.setdefault((one.fault, alert.kind, alert.urgent), []).append(one)
    singles: list[Waiting] = []
    gone = sum(1 for one in sent if now - FLOOD_SPAN < one.when <= now)
    for (fault, _, urgent), parts in alike.items():
        release = -math.inf if urgent else _release(person.manner, parts, fault, sent, now)
        if now < release:
            for one in parts:
                draft.hold(one, Wait.GROUP, NEVER)
        elif len({one.delivery.alert.site for one in parts}) >= MANY and (
            urgent or gone + len(draft.merges) < person.manner.most
        ):
            draft.merge(person.compose(AlertKind.GROUP, parts, now), parts, fault)
        else:
            singles += parts
    return singles


def _release(manner: Manner, parts: Sequence[Waiting], fault: str, sent: Sequence[Sent], now: float) -> float:
    """Return until when those alike wait for others of their kind."""
    # What comes out of quiet hours has waited long enough.
    times = [one.delivery.alert.created for one in parts if one.waits is not Wait.QUIET]
    release = -math.inf
    if times:
        release = min(max(times) + manner.group, min(times) + STRETCH * manner.group)
    groups = [one.when for one in sent if one.kind is AlertKind.GROUP and one.fault == fault]
    if groups:  # stragglers of a group that was told just now
        release = max(release, max(groups) + FLOOD_SPAN)
    # A clock that was set back must not hold an alert.
    return release if release - now <= max(FLOOD_SPAN, STRETCH * manner.group) else -math.inf


def _limit(
    draft: _Draft, person: Person, singles: Sequence[Waiting], sent: Sequence[Sent], now: float
) -> None:
    """Let go as many as a person can read, and put the rest together."""
    times = sorted(one.when for one in sent if now - FLOOD_SPAN < one.when <= now)
    room = person.manner.most - len(times) - len(draft.merges)
    urgent = [one for one in singles if one.delivery.alert.urgent]
    others = [one for one in singles if not one.delivery.alert.urgent]
    _let_urgent(draft, person, urgent, room, max(times, default=-math.inf), now)
    room -= len(urgent)
    if len(others) <= max(room, 0):
        for one in others:
            draft.let_go(one)
    elif room > 0:
        draft.merge(person.compose(AlertKind.GROUP, others, now), others)
    else:
        for one in others:
            draft.hold(one, Wait.FLOOD, NEVER)


def _let_urgent(
    draft: _Draft, person: Person, urgent: Sequence[Waiting], room: int, last: float, now: float
) -> None:
    if len(urgent) <= max(room, 0):
        for one in urgent:
            draft.let_go(one)
    elif now - last < URGENT_PACE:
        for one in urgent:
            draft.hold(one, Wait.FLOOD, last + URGENT_PACE)
    elif len(urgent) == 1:
        draft.let_go(urgent[0])
    else:
        draft.merge(person.compose(AlertKind.GROUP, urgent, now), urgent)
