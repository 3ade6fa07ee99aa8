"""The thread that brings the copy up to what the store holds, in order, and never gives up."""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import Final, Protocol

from monitor.diagnosis.report import Report
from monitor.errors import StoreError
from monitor.estimation.samples import FloatArray
from monitor.readings import Point
from monitor.service.ports import Clock, Event
from monitor.store.influx import lines
from monitor.store.influx.ledger import EVENTS, Ledger, Span
from monitor.store.influx.remote import Remote
from monitor.store.influx.sender import PATIENT, QUIET, BackOff, Sender, StoppedError
from monitor.store.tables import microseconds, seconds

LOG: Final = logging.getLogger("cushionwatch.copy")

BATCH: Final = 5000
"""Points in one write."""
SPANS: Final = 500
"""Hours of a series that are taken at once."""
PERIOD: Final = 1.0
"""Seconds between two looks at what is owed."""
SAMPLE: Final = 300.0
"""Seconds between two samples of the state of all sites."""
EVENTS_KEPT: Final = 1000
"""Events of a site, the newest, that are copied when one of them changes; writing one again changes nothing."""
HANGS: Final = 120.0
"""Seconds after which a write that trickles on is told of."""


class Source(Protocol):
    """The part of `Store` that is copied."""

    def readings(self, site: str, point: Point, start: float, end: float) -> tuple[FloatArray, FloatArray]:
        """Return times and values with start <= time < end, ascending."""

    def span(self, site: str) -> tuple[float, float] | None:
        """Return the times of the first and the last reading of a site."""

    def events(self, site: str | None = None, *, open_only: bool = False, limit: int = 200) -> list[Event]:
        """Return events, newest first."""


class Copier:
    """Copies what the ledger says is owed, from `start` to `stop`.

    Parameters
    ----------
    ledger : Ledger
        What is owed.
    store : Source
        Where readings and events are read.
    remote : Remote
        Where they go; closed by `stop`.
    reports : Callable[[], Iterable[Report]]
        What is known of each site now; nothing while that is still being worked out.
    clock : Clock
        Time of day.
    chance : Callable[[], float]
        Random number from 0 to below 1, for the back-off.
    """

    def __init__(
        self,
        ledger: Ledger,
        store: Source,
        remote: Remote,
        reports: Callable[[], Iterable[Report]],
        clock: Clock,
        chance: Callable[[], float],
        *,
        back_off: BackOff = PATIENT,
        period: float = PERIOD,
        batch: int = BATCH,
    ) -> None:
        self._ledger = ledger
        self._store = store
        self._remote = remote
        self._reports = reports
        self._clock = clock
        self._period = period
        self._batch = batch
        self._stopping = threading.Event()
        self._sender = Sender(remote, ledger, clock, chance, self._stopping, back_off)
        self._sampled = -math.inf
        self._store_problem = ""
        self._thread = threading.Thread(target=self._run, name="copy", daemon=True)

    def start(self) -> None:
        """Begin to copy; returns at once."""
        self._thread.start()

    def stop(self, timeout: float = 2.0) -> bool:
        """Stop; False if a write still hangs, which loses nothing: what it carries stays owed."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)
        return not self._thread.is_alive()

    @property
    def alive(self) -> bool:
        """Tell whether the thread runs."""
        return self._thread.is_alive()

    def problems(self) -> list[str]:
        """Return what keeps the copy from being whole, in words."""
        if not self._thread.is_alive() and not self._stopping.is_set():
            return ["the copy to the time-series database has ended; restart the service"]
        found = [self._store_problem] if self._store_problem else []
        now, failing, asked = self._clock.now(), self._sender.failing, self._sender.asked
        if failing and failing[2]:
            found.append(
                f"the time-series database takes nothing until its settings or [timeseries] are changed: {failing[1]}"
            )
        elif failing and now - failing[0] > QUIET:
            found.append(f"the time-series database does not take the copy; it is kept: {failing[1]}")
        elif asked is not None and now - asked > HANGS:
            found.append("the time-series database has not finished its answer for minutes; the copy is kept")
        return found

    # ---- the thread

    def _run(self) -> None:
        doubted = False  # nobody knows what became of the database while this service was away
        while not self._stopping.is_set():
            try:
                if not doubted:
                    self._ledger.doubt()
                    doubted = True
                self.round()
                self._store_problem = ""
            except StoppedError:
                break
            except StoreError as error:
                if not self._stopping.is_set():
                    self._store_problem = f"the copy waits: {error}"
                    LOG.warning("the copy waits: %s", error)
            except Exception:
                LOG.exception("the copy: unexpected")
                self._store_problem = "the copy to the time-series database met a fault of this program"
            self._stopping.wait(self._period)
        self._remote.close()

    def round(self) -> None:
        """Copy all that is owed now; `StoppedError` if told to stop before."""
        self._sample()
        self._trim()
        while spans := self._ledger.take(SPANS):
            self._send(spans)
            self._trim()
        while owed := self._ledger.lines(self._batch):
            self._sender.deliver(list(owed.values()))
            self._ledger.strike_lines(max(owed))

    def _send(self, spans: Sequence[Span]) -> None:
        """Deliver spans in order and strike each off once all of it is there."""
        batch: list[str] = []
        whole: list[Span] = []
        for span in spans:
            found = self._lines(span)
            while len(batch) + len(found) > self._batch:
                room = self._batch - len(batch)
                self._flush(batch + found[:room], whole)
                batch, found, whole = [], found[room:], []
            batch += found
            whole.append(span)
        self._flush(batch, whole)

    def _flush(self, batch: Sequence[str], whole: Sequence[Span]) -> None:
        if batch:
            self._sender.deliver(batch)
        if whole:
            self._ledger.strike(whole, self._clock.now())

    def _lines(self, span: Span) -> list[str]:
        if span.kind == EVENTS:
            events = self._store.events(span.site, limit=EVENTS_KEPT)
            return [line for event in reversed(events) for line in lines.event(event)]
        times, values = self._store.readings(span.site, Point(span.kind), *_around(span))
        if not times.size:
            self._missing(span)
        return lines.readings(span.site, Point(span.kind), times, values)

    def _missing(self, span: Span) -> None:
        """List what the store dropped before it was copied; what was never stored comes again by itself."""
        kept = self._store.span(span.site)
        if kept is not None and seconds(span.last_us) < kept[0]:
            self._ledger.give_up(span, "no longer in the store when its turn came", self._clock.now())

    def _trim(self) -> None:
        dropped = self._ledger.trim(self._clock.now())
        if dropped:
            LOG.warning("%d hours of a series will be missing in the copy; they are listed as gaps", dropped)

    def _sample(self) -> None:
        now = self._clock.now()
        if abs(now - self._sampled) < SAMPLE:
            return
        reports = list(self._reports())
        if not reports:
            return
        self._sampled = now
        for report in reports:
            self._ledger.sample(report.site, lines.state(report), partial(_newer, report))
        self._ledger.sample("", lines.copy(*self._ledger.counts(), now), lambda _: [])


def _newer(report: Report, since: int) -> list[tuple[int, str]]:
    stamped: Iterator[tuple[int, str]] = (
        (microseconds(one.time), lines.charge(report.site, one)) for one in report.air_charge
    )
    return [(stamp, line) for stamp, line in stamped if stamp > since]


def _around(span: Span) -> tuple[float, float]:
    """Return start and end between which all of a span lies, also where a float holds no microsecond."""
    start, end = seconds(span.first_us), seconds(span.last_us)
    beyond = math.nextafter(math.nextafter(end, math.inf), math.inf)
    return math.nextafter(start, 0.0), max(end + 1e-6, beyond)
