"""The loop that performs what the pipeline decides: take, store, acknowledge, analyse, owe alerts.

The order is the promise: a message is acknowledged only after its readings are on disk, and an alert is
owed in the transaction that opens its event. A crash at any point repeats work but loses none: unstored
messages come again from the broker, and what was stored after an analyser's state was last saved is analysed
again at the start. Both the start and the correction of what came late are done in slices between two batches,
so that readings are taken in and acknowledged meanwhile.
"""

from __future__ import annotations

import logging
import math
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from monitor.diagnosis.faults import Finding
from monitor.errors import StoreBroken, StoreError
from monitor.readings import Reading, Rejected
from monitor.service.corrections import Corrections
from monitor.service.desk import Desk
from monitor.service.lifecycle import silence
from monitor.service.outcomes import DAY, Outcome, outcomes
from monitor.service.ports import Alert, Clock, Event, Message, MessageSource, Overdue, Store
from monitor.service.receipts import Receipts
from monitor.site import Site

LOG = logging.getLogger("cushionwatch.runner")

BATCH: Final = 1000
IDLE: Final = 0.25
"""Seconds to wait for a first message; bounds how long a stop takes."""
BACK_OFF: Final = (0.5, 1.0, 2.0, 5.0, 10.0)
HOUSEKEEPING: Final = 5.0
"""Seconds between two looks at the visit book and at silent sites."""
SETTLED: Final = 30.0
"""Seconds after a connection, or a message that the broker had kept, in which more of those may come."""
SAVING: Final = 3600.0
"""Seconds between two savings of the state of a site: what a start has to analyse again at most."""
SAVED_AT_ONCE: Final = 20
"""States that are saved in one turn at most, so that the intake does not wait."""
LAST_SAVING: Final = 3.0
"""Seconds that a stop may take to save states; what is left is analysed again at the next start."""
GRACE: Final = 900.0
"""Seconds that a device's own backlog may lag behind the clock before a silent site is told the time."""

Decode = Callable[[Message], tuple[Sequence[Reading], Sequence[Rejected]]]
Compose = Callable[[Site, Finding], Mapping[str, Alert]]


class Runner:
    """Runs the service in one worker thread, from `start` to `stop`.

    Parameters
    ----------
    sites : Sequence[Site]
        The sites to watch.
    source, store : MessageSource, Store
        Where messages come from and where all that lasts goes.
    decode : Decode
        From a message to its readings and refused samples; never raises.
    compose : Compose
        From a site and a finding (raised or ended) to one alert per channel.
    wake : Callable[[], None]
        Called when alerts are owed.
    clock : Clock
        Time of day, to tell silent sites that time passes.
    ticking : bool
        False where the stamps of the readings do not follow ``clock`` (accelerated time).
    """

    def __init__(
        self,
        sites: Sequence[Site],
        source: MessageSource,
        store: Store,
        decode: Decode,
        compose: Compose,
        wake: Callable[[], None],
        clock: Clock,
        *,
        ticking: bool = True,
    ) -> None:
        self.desks = {site.id: Desk(site) for site in sites}
        self.stored = 0
        self.beat = 0
        """Changes as long as the worker makes progress, also while it waits for a store that refuses."""
        self._source = source
        self._store = store
        self._decode = decode
        self._compose = compose
        self._wake = wake
        self._clock = clock
        self._ticking = ticking
        self._owed: deque[tuple[Site, Outcome]] = deque()
        self._looked = -math.inf
        self._corrections = Corrections()
        self._receipts = Receipts(store, source)
        self._new: Sequence[Reading] = ()
        self._save_due: dict[str, float] = {}
        self._behind = clock.now()
        self._connected = False
        self._store_problem = ""
        self._read_problem = ""
        self._ready = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="runner", daemon=True)

    def start(self) -> None:
        """Replay the store, then begin to take messages; returns at once."""
        self._thread.start()

    def stop(self, timeout: float = 8.0) -> bool:
        """Finish the batch in hand, acknowledge it and disconnect; False if that took too long."""
        self._stopping.set()
        self._thread.join(timeout)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Tell whether the worker runs."""
        return self._thread.is_alive()

    @property
    def caught_up(self) -> bool:
        """Tell whether all that was stored before the start has been replayed."""
        return self._ready.is_set()

    def problems(self) -> list[str]:
        """Return what keeps the service from its work, in words."""
        found = [desk.failure for desk in self.desks.values() if desk.failure]
        if not self.alive:
            found.append("the worker has ended; restart the service")
        elif not self._ready.is_set():
            found.append("stored readings are being replayed")
        found += [problem for problem in (self._store_problem, self._read_problem) if problem]
        return found

    # ---- the worker

    def _run(self) -> None:
        if not self._persist(self._begin):
            return
        self._source.start()
        try:
            while not self._stopping.is_set():
                self.beat += 1
                busy = self._rebuild()
                messages = self._source.take(BATCH, 0.0 if busy else IDLE)
                if messages:
                    self._handle(messages)
                self._housekeep(messages)
            self._save_all()
        finally:
            self._source.stop()

    def _begin(self) -> None:
        overdue = self._store.overdue()
        for site_id, desk in self.desks.items():
            mark = overdue.get(site_id)
            desk.rebuild(self._store, math.inf if mark is None else mark.since, mark)
        self._receipts.begin(self._clock.now())
        if not self.desks:
            self._ready.set()

    def _rebuild(self) -> bool:
        """Do a slice of the work on a site that is built anew, and write down what it found when it is done.

        Return whether there was such work.
        """
        desk = next((one for one in self.desks.values() if one.rebuilding), None)
        work = None if desk is None else desk.rebuilding
        if desk is None or work is None:
            return False
        if not self._persist(desk.advance) or desk.rebuilding:
            return True
        self._owed.extend((desk.site, outcome) for outcome in work.outcomes)
        self._settle()
        self._persist(partial(self._save, desk, work.corrects))
        self._corrections.done(desk.site.id, self._clock.now())
        if not any(one.rebuilding for one in self.desks.values()):
            self._ready.set()
        return True

    def _handle(self, messages: Sequence[Message]) -> None:
        readings: list[Reading] = []
        rejected: list[Rejected] = []
        for message in messages:
            good, bad = self._decode(message)
            readings += good
            rejected += bad
        if not self._persist(partial(self._commit, readings, rejected)):
            return  # told to stop while the store refused: the broker keeps what was not acknowledged
        self._source.acknowledge(messages)
        self._analyse(self._new)

    def _commit(self, readings: Sequence[Reading], rejected: Sequence[Rejected]) -> None:
        analysed = {site: self.desks[site].final for site in {r.site for r in readings} if site in self.desks}
        committed = self._store.commit(readings, rejected, analysed)
        self._new = committed.new
        self.stored += len(committed.new)
        self._receipts.note(committed, self._clock.now())

    def _analyse(self, readings: Sequence[Reading]) -> None:
        by_site: dict[str, list[Reading]] = {}
        for reading in readings:
            by_site.setdefault(reading.site, []).append(reading)
        for site_id, mine in by_site.items():
            desk = self.desks.get(site_id)
            if desk is not None:
                self._owe(desk.site, desk.take(mine))
        self._settle()

    def _housekeep(self, messages: Sequence[Message]) -> None:
        now = self._clock.now()
        self._receipts.publish(now)
        connected = self._source.health().connected
        if connected != self._connected or any(message.retained for message in messages):
            self._connected, self._behind = connected, now
        if abs(now - self._looked) < HOUSEKEEPING:
            return
        self._looked = now
        # While the broker is away, or hands over what it kept, older readings are still to come.
        known = now - self._behind >= (SETTLED if connected else DAY)
        until = now - GRACE if self._ticking and known else None
        try:
            visits = {site_id: self._store.visits(site_id) for site_id in self.desks}
            overdue = self._store.overdue()
            self._read_problem = ""
        except StoreError as error:
            self._read_problem = str(error)
            visits, overdue = {}, {}
        for site_id, desk in self.desks.items():
            self._owe(desk.site, desk.look(visits.get(site_id, ()), until))
        self._settle()
        self._correct(now, overdue)
        due = [
            desk
            for site_id, desk in self.desks.items()
            if not 0 <= now - self._save_due.get(site_id, now) < SAVING
        ]
        for desk in due[:SAVED_AT_ONCE]:
            self._persist(partial(self._save, desk))

    def _correct(self, now: float, overdue: Mapping[str, Overdue]) -> None:
        """Begin to analyse anew where readings or visits came late."""
        due = self._corrections.due(overdue, now)
        for site_id, desk in self.desks.items():
            if not desk.live or desk.rebuilding or desk.failure:
                continue
            mark = overdue.get(site_id) if site_id in due else None
            since = min(desk.late_visit, math.inf if mark is None else mark.since)
            if since < math.inf:
                LOG.info("site %s is analysed anew: readings or a visit came after their time", site_id)
                desk.rebuild(self._store, since, mark)

    def _save_all(self) -> None:
        """Save what has been analysed; a stop waits for it, but not long."""
        until = self._clock.now() + LAST_SAVING
        for desk in self.desks.values():
            if self._owed or self._clock.now() > until:
                return
            try:
                self._save(desk)
            except StoreError as error:
                LOG.warning(
                    "%s: what was analysed since the last saving is analysed again at the start", error
                )
                return

    def _save(self, desk: Desk, corrects: Overdue | None = None) -> None:
        self._save_due[desk.site.id] = self._clock.now()
        state = None if self._owed else desk.freeze()
        if state is not None:
            self._store.save_state(desk.site.id, state, corrects)
            desk.saved(state)

    # ---- effects

    def _owe(self, site: Site, findings: Sequence[Finding]) -> None:
        self._owed.extend((site, outcome) for outcome in outcomes(findings))

    def _settle(self) -> None:
        """Write down findings in order; what the store refuses stays owed and holds up the intake."""
        if not self._owed:
            return
        while self._owed:
            if not self._persist(partial(self._record, *self._owed[0])):
                return  # told to stop: a replay finds it again
            self._owed.popleft()
        self._wake()

    def _record(self, site: Site, outcome: Outcome) -> None:
        finding = outcome.finding
        alerts = self._compose(site, finding) if outcome.loud else {}
        if outcome.replaces is not None:
            event = self._store.redate_event(site.id, outcome.replaces, finding, alerts)
            if event is not None:
                LOG.info(
                    "event %d redated at %s: %s", event.number, site.id, finding.fault, extra=_named(event)
                )
                return
            self._store.end_event(site.id, outcome.replaces, {})
        if finding.ended is None:
            event = self._store.raise_event(site.id, finding, alerts)
            if event is not None:
                quiet = silence(event)
                told = f" (not told: {quiet.value})" if quiet else ""
                LOG.warning(
                    "event %d raised at %s: %s%s",
                    event.number,
                    site.id,
                    finding.fault,
                    told,
                    extra=_named(event),
                )
            elif (event := self._store.amend_event(site.id, finding, alerts)) is not None:
                LOG.warning(
                    "event %d amended at %s: %s", event.number, site.id, finding.fault, extra=_named(event)
                )
            return
        event = self._store.end_event(site.id, finding, alerts)
        if event is None and self._store.raise_event(site.id, replace(finding, ended=None), {}) is not None:
            event = self._store.end_event(site.id, finding, alerts)
        if event is not None:
            LOG.info("event %d ended at %s: %s", event.number, site.id, finding.fault, extra=_named(event))

    def _persist(self, action: Callable[[], None]) -> bool:
        """Do it, again and again with back-off while the store refuses.

        False if told to stop meanwhile, or if the store is broken: then the worker ends.
        """
        attempt = 0
        while True:
            self.beat += 1
            try:
                action()
            except StoreBroken as error:
                # What was not acknowledged comes again from the broker, at the next start.
                LOG.critical("%s; the service ends", error)
                self._store_problem = str(error)
                self._stopping.set()
                return False
            except StoreError as error:
                pause = BACK_OFF[min(attempt, len(BACK_OFF) - 1)]
                attempt += 1
                self._store_problem = str(error)
                LOG.error("%s (try %d, next in %g s)", error, attempt, pause)  # noqa: TRY400 - the message says it all
                if self._stopping.wait(pause):
                    return False
            else:
                self._store_problem = ""
                return True


def _named(event: Event) -> dict[str, object]:
    """Return the fields by which a structured log is searched."""
    return {"site": event.site, "event": event.number, "fault": event.finding.fault.value}
