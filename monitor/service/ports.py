"""The protocols through which the service reaches the world, and the records that cross them.

Every adapter at the rim fills one of these; tests run one suite against each filling.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Final, Protocol

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report
from monitor.estimation.samples import FloatArray
from monitor.readings import Point, Reading, Rejected
from monitor.service.lifecycle_records import Act, AuditLine, OutOfService, Shelf
from monitor.service.photos import Photo, PhotoNote
from monitor.site import Site, Visit

NEVER: Final = 1e15
"""A time that does not come: what is due then goes when a later look lets it. [epoch s]"""

NOTHING: Final[Mapping[str, float]] = MappingProxyType({})


class Clock(Protocol):
    """Where the service asks for the time of day."""

    def now(self) -> float:
        """Return epoch seconds UTC."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker handed it over; ``handle`` is what the source needs to acknowledge it."""

    topic: str
    payload: bytes
    arrived: float
    retained: bool = False
    handle: object = None


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """``alive``: the network loop runs; ``connected``: the broker accepted us; ``last_message``: epoch s."""

    alive: bool
    connected: bool
    last_message: float | None
    detail: str


class MessageSource(Protocol):
    """Messages from a broker, handed over at least once: what is not acknowledged comes again."""

    def start(self) -> None:
        """Begin to connect; returns at once, even while the broker is down."""

    def take(self, limit: int, timeout: float) -> list[Message]:
        """Return up to ``limit`` messages; wait at most ``timeout`` s for the first of them."""

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are durably stored (or refused and listed)."""

    def publish(self, name: str, payload: bytes, *, retain: bool = True) -> None:
        """Say something under a topic of the service's own; never waits, never fails.

        The last payload of each name is kept and said again after every connection.
        """

    def health(self) -> SourceHealth:
        """Return whether messages can arrive."""

    def stop(self) -> None:
        """Disconnect; unacknowledged messages stay with the broker."""


class EventState(StrEnum):
    """State of an event: whether its fault stands, and whether a person has seen it."""

    ACTIVE_UNACKNOWLEDGED = "active_unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active_acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    NORMAL = "normal"

    @property
    def active(self) -> bool:
        """Tell whether the fault stands."""
        return self in {EventState.ACTIVE_UNACKNOWLEDGED, EventState.ACTIVE_ACKNOWLEDGED}


@dataclass(frozen=True, slots=True)
class Event:
    """A finding as the store keeps it, under a number that never changes.

    ``shelf``, ``out``, ``cause`` (the event that explains this one) and ``held`` (its fault comes and goes) keep
    people from being told of it; `monitor.service.lifecycle.silence` says whether they do. ``raises``: how often
    its fault was raised there in the days up to this raise, which counts.
    """

    number: int
    site: str
    finding: Finding
    state: EventState
    shelf: Shelf | None = None
    cause: int | None = None
    out: OutOfService | None = None
    raises: int = 1
    held: bool = False


@dataclass(frozen=True, slots=True)
class EventChange:
    """One line of an audit trail: at ``time`` (epoch s) ``who`` took the event to the state ``after``.

    ``act`` is None where an older version wrote the line.
    """

    time: float
    before: EventState | None
    after: EventState
    who: str
    why: str
    act: Act | None = None


class AlertKind(StrEnum):
    """What an alert tells. ``ENDED_IF_TOLD``: the end, for those alone who were told of the beginning."""

    RAISED = "raised"
    ENDED = "ended"
    ENDED_IF_TOLD = "ended_if_told"
    ESCALATED = "escalated"
    GROUP = "group"
    DIGEST = "digest"
    HEARTBEAT = "heartbeat"


class Wait(StrEnum):
    """What a delivery waits for: a first look, others alike, the end of quiet hours, the digest, less of a flood."""

    NOTHING = ""
    LOOK = "look"
    GROUP = "group"
    QUIET = "quiet"
    DIGEST = "digest"
    FLOOD = "flood"


@dataclass(frozen=True, slots=True)
class Alert:
    """One message to people; ``key`` is its idempotency key. ``event`` and ``site`` where it is about one.

    ``kind``: what it tells, see `AlertKind`; ``urgent``: nothing holds it back. ``arranged``: it goes when the manner
    of its recipient lets it. ``link``: where it is acknowledged,
    ``sign``: its last line, and ``pictures`` (PNG), all put in when it is sent; never kept.
    """

    key: str
    site: str
    title: str
    body: str
    severity: str
    created: float
    event: int | None = None
    kind: AlertKind = AlertKind.RAISED
    urgent: bool = False
    arranged: bool = False
    link: str = ""
    sign: str = ""
    pictures: Sequence[bytes] = ()


@dataclass(frozen=True, slots=True)
class Delivery:
    """An alert that one channel still owes: ``attempts`` so far, next try not before ``due`` (epoch s)."""

    id: int
    alert: Alert
    channel: str
    attempts: int
    due: float
    last_error: str = ""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A delivery that is owed, with what decides when it goes: its ``fault``, whether that still stands.

    ``waits``: what it waits for by an earlier decision, see `Wait`.
    """

    delivery: Delivery
    fault: str = ""
    standing: bool = True
    waits: Wait = Wait.NOTHING


@dataclass(frozen=True, slots=True)
class Sent:
    """A message that went out, or a group that was made: when (epoch s), of which kind and fault (or empty)."""

    when: float
    kind: AlertKind
    fault: str
    urgent: bool


@dataclass(frozen=True, slots=True)
class Hold:
    """Delivery ``id`` waits for ``waits``, not before ``due`` (epoch s); without ``waits`` it may go."""

    id: int
    waits: Wait
    due: float


@dataclass(frozen=True, slots=True)
class Merge:
    """One message in the place of several deliveries; ``fault`` where all are of one."""

    alert: Alert
    ids: Sequence[int]
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """What becomes of the deliveries that one channel owes."""

    holds: Sequence[Hold] = ()
    merges: Sequence[Merge] = ()


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A standing event that people were first told of at ``told`` (epoch s) and nobody has acknowledged."""

    event: Event
    told: float


class GapState(StrEnum):
    """Whether numbers are waited for, have come late, or are given up (they are still taken if they come)."""

    OPEN = "open"
    FILLED = "filled"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Gap:
    """Numbers from ``first`` to ``last`` of a boot of a device that did not come in their turn; times epoch s."""

    device: str
    boot: str
    first: int
    last: int
    noticed: float
    state: GapState = GapState.OPEN
    settled: float | None = None

    @property
    def count(self) -> int:
        """Return how many messages or samples these are."""
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class SetBack:
    """At number ``sequence`` the clock of a device went back from ``before`` to ``after`` [epoch s]."""

    device: str
    boot: str
    sequence: int
    before: float
    after: float
    noticed: float


@dataclass(frozen=True, slots=True)
class BootProgress:
    """What has come of a boot: without a gap up to ``through``, at all up to ``highest``; the oldest open gaps."""

    boot: str
    through: int
    highest: int
    missing: Sequence[tuple[int, int]]
    heard: float


@dataclass(frozen=True, slots=True)
class DeviceProgress:
    """What a device can know of its messages: its newest boot first, then others heard in the same days."""

    device: str
    boots: Sequence[BootProgress]


@dataclass(frozen=True, slots=True)
class NumberingCounts:
    """How many devices number, how much of it is missing or lost, and what clocks that were set back made.

    ``missing`` and ``lost`` count numbers, ``retold`` readings of a time that was told before.
    """

    devices: int
    open_gaps: int
    missing: int
    lost: int
    set_backs: int
    retold: int


@dataclass(frozen=True, slots=True)
class Committed:
    """What a commit has added: ``new`` readings to analyse, those left out that the store had already.

    Of devices that number: ``devices`` that were heard, ``gaps`` and ``set_backs`` that were noticed, the number
    of ``retold`` readings (kept apart, not among the new ones), the devices ``untracked`` for want of room, and those
    that ``restart`` their numbers within a boot, so that what they send without a time is taken for repeats.
    """

    new: Sequence[Reading] = ()
    devices: Sequence[str] = ()
    gaps: Sequence[Gap] = ()
    set_backs: Sequence[SetBack] = ()
    retold: int = 0
    untracked: Sequence[str] = ()
    restart: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Overdue:
    """Readings of a site that came when their time had been analysed: the oldest of them, and how often."""

    since: float
    times: int


@dataclass(frozen=True, slots=True)
class SavedState:
    """An analyser as it was when all rows up to ``at`` (epoch s) had been analysed by ``program``."""

    at: float
    program: str
    body: bytes


class Store(Protocol):
    """Durable memory. Each method is one transaction; what it returned from is on disk.

    Raises `StoreError` where the disk or the file does not allow it.
    """

    def commit(
        self,
        readings: Sequence[Reading],
        rejected: Sequence[Rejected],
        analysed: Mapping[str, float] = NOTHING,
    ) -> Committed:
        """Store readings (idempotent by site, point, time) and refused payloads; return what was new.

        ``analysed``: up to when (epoch s) each site has been analysed. New readings of a site that are not
        later make its analysis overdue from them on.
        """

    def gaps(self, site: str | None = None, *, open_only: bool = False, limit: int = 1000) -> list[Gap]:
        """Return gaps in the numbers of devices (those that speak for a site), newest first."""

    def set_backs(self, site: str | None = None, *, limit: int = 1000) -> list[SetBack]:
        """Return when clocks of devices were set back, newest first."""

    def retold(self, site: str, point: Point, limit: int = 1_000_000) -> list[Reading]:
        """Return the newest readings of a time that their device had told before, in the order they came."""

    def retold_count(self, site: str) -> int:
        """Return how many readings of a site are kept whose time their device had told before."""

    def numbering_counts(self) -> NumberingCounts:
        """Return counts over all devices that number."""

    def progress(self, devices: Sequence[str]) -> list[DeviceProgress]:
        """Return what has come of each of these devices, those left out that do not number."""

    def numbering_devices(self, since: float) -> list[str]:
        """Return the devices that number and were heard since ``since`` (epoch s)."""

    def overdue(self) -> Mapping[str, Overdue]:
        """Return the sites whose analysis has to be corrected."""

    def save_state(self, site: str, state: SavedState, corrected: Overdue | None = None) -> None:
        """Keep the state of an analyser, and a few older ones for readings that come late.

        With ``corrected`` it stands for all that was overdue then: states of later times than ``since`` that
        were saved before are dropped, and unless more came meanwhile nothing is overdue any more.
        """

    def saved_state(self, site: str, program: str, before: float = math.inf) -> SavedState | None:
        """Return the newest saved state that this ``program`` wrote of rows before ``before`` (epoch s)."""

    def readings(self, site: str, point: Point, start: float, end: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values with start <= time < end, ascending."""

    def readings_decimated(
        self, site: str, point: Point, start: float, end: float, limit: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return at most about ``limit`` readings of a span, peaks and dips kept, ascending."""

    def span(self, site: str) -> tuple[float, float] | None:
        """Return the times of the first and the last reading of a site."""

    def latest(self, site: str) -> Mapping[Point, Reading]:
        """Return the newest reading of each point."""

    def rejected(self, limit: int) -> list[Rejected]:
        """Return the newest refused payloads, newest first."""

    def rejected_count(self) -> int:
        """Return how many payloads were refused so far."""

    def add_visit(self, site: str, visit: Visit, photos: Sequence[Photo] = ()) -> bool:
        """Log a service visit with its photos, idempotent by (site, time, action); return whether it was new."""

    def visits(self, site: str) -> list[Visit]:
        """Return the visits of a site, oldest first."""

    def photos(self, site: str) -> list[PhotoNote]:
        """Return what is known of the photos of a site's visits, without the pictures."""

    def photo(self, site: str, number: int) -> Photo | None:
        """Return a photo of a site, None if it has none of that number."""

    def raise_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Open an event and owe each alert to its channel (keys: channel names), in one transaction.

        Return None and change nothing where (site, fault, raised) is known already. The ``event`` field
        of the alerts is filled in by the store.
        """

    def amend_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Replace the finding of an active event where its evidence has a fact that the stored one lacks.

        None, and nothing changed, where there is no such event or nothing new.
        """

    def redate_event(
        self, site: str, old: Finding, finding: Finding, alerts: Mapping[str, Alert]
    ) -> Event | None:
        """Give the active event of ``old`` the finding in its place, raised at another time; all else stays.

        None, and nothing changed, where ``old`` has no active event, or ``finding`` has one of its own.
        """

    def end_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Mark the event of this finding as returned to normal; None if unknown or ended already."""

    def acknowledge_event(self, number: int, who: str, when: float) -> Event | None:
        """Acknowledge an event; None if there is no such event."""

    def shelve_event(self, number: int, shelf: Shelf) -> Event | None:
        """Tell nobody of an event until the end of the shelf; None if there is no such event.

        Raises `InputError` where it is over, urgent without a second confirmation, or the shelf too long.
        """

    def unshelve_event(self, number: int, who: str, when: float, why: str) -> Event | None:
        """Tell people of an event again; None if there is no such event. `InputError` where it is not shelved."""

    def take_out(self, out: OutOfService) -> OutOfService:
        """Keep a site or a point of it quiet until it is put back; ``number`` is the store's to give.

        Raises `InputError` where it is out of service already.
        """

    def put_back(self, site: str, point: Point | None, who: str, when: float, why: str) -> OutOfService:
        """Put a site or a point of it back in service; owe what was withheld of what still stands.

        Raises `InputError` where it is not out of service.
        """

    def outs(self, site: str | None = None) -> list[OutOfService]:
        """Return what is out of service now, longest first."""

    def lapse(self, now: float) -> int:
        """End what has run out by ``now`` (epoch s): shelves, and what was held as chatter and stands.

        Owe what was withheld of it; return how much ended.
        """

    def event(self, number: int) -> Event | None:
        """Return one event."""

    def events_raised(self, since: float, site: str | None = None) -> list[Event]:
        """Return the events raised since ``since`` (epoch s of their data) and all that stand, oldest first."""

    def audit(self, since: float, site: str | None = None) -> list[AuditLine]:
        """Return what was done to events and sites since ``since`` (epoch s), oldest first."""

    def events(self, site: str | None = None, *, open_only: bool = False, limit: int = 200) -> list[Event]:
        """Return events, newest first."""

    def event_changes(self, number: int) -> list[EventChange]:
        """Return the audit trail of an event, oldest first."""

    def due_deliveries(self, now: float, limit: int, channel: str | None = None) -> list[Delivery]:
        """Return deliveries that are owed and due, oldest first; those of one channel if it is named.

        Of one event on one channel only the oldest, so that its end never overtakes its beginning.
        """

    def owed_count(self) -> tuple[int, float | None]:
        """Return how many alerts are owed, and when the oldest of them was made in epoch seconds."""

    def active_counts(self) -> Mapping[str, int]:
        """Return how many events stand of each fault; only faults of which one does."""

    def delivered(self, delivery: int, when: float) -> None:
        """Strike a delivery off: its channel has it."""

    def failed(self, delivery: int, error: str, due: float | None) -> None:
        """Note a failed attempt; ``due`` None: given up, listed as a dead letter."""

    def dead_letters(self) -> list[Delivery]:
        """Return deliveries that were given up."""

    def waiting(self, channel: str) -> list[Waiting]:
        """Return all that one channel owes, oldest first."""

    def sent(self, channel: str, since: float) -> list[Sent]:
        """Return what went out through a channel since ``since`` (epoch s), and what was put in groups for it."""

    def arrange(self, channel: str, plan: Plan) -> None:
        """Hold and merge deliveries of a channel as planned."""

    def unanswered(self) -> list[Unanswered]:
        """Return the standing events that people are told of and that nobody has acknowledged."""

    def owe_message(self, channel: str, alert: Alert, why: str = "") -> bool:
        """Owe a message once for its key, whatever its event; ``why`` goes into the event's audit trail."""

    def integrity(self) -> list[str]:
        """Return what the database's own check finds wrong; empty if sound."""

    def close(self) -> None:
        """Release the file."""


class AlertChannel(Protocol):
    """One way to reach people."""

    @property
    def name(self) -> str:
        """Name given in the settings; safe to show."""

    def send(self, alert: Alert) -> None:
        """Deliver; raise `DeliveryError` (message without secrets) if that is not certain."""


@dataclass(frozen=True, slots=True)
class SiteView:
    """What the page shows of a site."""

    site: Site
    report: Report
    latest: Mapping[Point, Reading]
    events: Sequence[Event]
    visits: Sequence[Visit] = ()
    outs: Sequence[OutOfService] = ()


@dataclass(frozen=True, slots=True)
class ServiceHealth:
    """What the page and ``/readyz`` show of the service itself; ``problems`` empty when ready."""

    started: float
    source: SourceHealth
    stored: int
    rejected: int
    problems: Sequence[str] = field(default_factory=tuple)


class Board(Protocol):
    """What the page reads: a consistent view of the running service, safe to call from any thread."""

    def sites(self) -> list[SiteView]:
        """Return all sites, most urgent first."""

    def site(self, site_id: str) -> SiteView | None:
        """Return one site, None if unknown."""

    def pressure(self, site_id: str, start: float, end: float, limit: int) -> tuple[FloatArray, FloatArray]:
        """Return at most about ``limit`` pressure points of a span, peaks kept."""

    def acknowledge(self, number: int, who: str) -> Event | None:
        """Acknowledge an event."""

    def shelve(self, number: int, who: str, why: str, seconds: float, *, urgent: bool) -> Event | None:
        """Shelve an event for a while; ``urgent``: confirmed a second time. `InputError` where that cannot be."""

    def unshelve(self, number: int, who: str, why: str) -> Event | None:
        """Take an event off its shelf; `InputError` where it is on none."""

    def take_out(
        self, site_id: str, point: Point | None, who: str, why: str, *, urgent: bool
    ) -> OutOfService:
        """Take a site or a point of it out of service; `InputError` where it is already."""

    def put_back(self, site_id: str, point: Point | None, who: str, why: str) -> OutOfService:
        """Put a site or a point of it back in service; `InputError` where it is not out."""

    def changes(self, number: int) -> Sequence[EventChange]:
        """Return the audit trail of an event, oldest first."""

    def log_visit(self, site_id: str, visit: Visit, photos: Sequence[Photo]) -> bool:
        """Log a service visit; False if one of this time and action is there already."""

    def photos(self, site_id: str) -> Sequence[PhotoNote]:
        """Return what is known of the photos of a site's visits."""

    def photo(self, site_id: str, number: int) -> Photo | None:
        """Return a photo of a site, None if it has none of that number."""

    def health(self) -> ServiceHealth:
        """Return the health of the service."""
