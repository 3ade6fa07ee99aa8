"""The running service: its threads, started and stopped together, and what is seen of them."""

from __future__ import annotations

import random
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO
from urllib.parse import urlsplit

from monitor.alerting.channels import build_channels
from monitor.alerting.routing import composer
from monitor.alerting.sender import OutboxSender
from monitor.alerting.timers import Fleet
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report
from monitor.diagnosis.watchweek import WEEK
from monitor.dispatch import Dispatch, Known, cares, fleet_of
from monitor.ingest.queuecheck import QueueCheck
from monitor.service.board import LiveBoard
from monitor.service.followup import followed_finding
from monitor.service.ports import Alert, Clock, MessageSource
from monitor.service.runner import Compose, Decode, Runner
from monitor.service.vitals import BrokerLimits
from monitor.service.watching import WORKER, Part, Sources, Watch
from monitor.site import Site
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep
from monitor.web.tellers import teller_of

if TYPE_CHECKING:  # the client library of the copy takes half a second to load
    from monitor.store.influx.copier import Copier


@dataclass(frozen=True, slots=True)
class Parts:
    """What a service is built of. ``clock``: time of day; ``page_clock``: what the page calls now."""

    sites: Mapping[str, Site]
    source: MessageSource
    decode: Decode
    store: SqliteStore
    dispatch: Dispatch
    terminal: TextIO
    clock: Clock
    page_clock: Clock
    ticking: bool = True
    upkeep: Upkeep | None = None
    visit_watch: float = WEEK
    queue_check: QueueCheck | None = None


class Service:
    """The running service: worker, sender of alerts and page, each in threads of its own."""

    def __init__(self, parts: Parts, listener: socket.socket | None) -> None:
        self.sites = parts.sites
        channels = build_channels(parts.dispatch.book.recipients, parts.terminal)
        known = Known(parts.sites, self._report_of, lambda: self._fleet(parts.store))
        care = cares(parts.dispatch, known, parts.store, parts.clock)
        self._sender = OutboxSender(parts.store, channels, parts.clock, random.random, care=care)
        self.runner = Runner(
            list(parts.sites.values()),
            parts.source,
            parts.store,
            parts.decode,
            self._composer(parts),
            self._sender.wake,
            parts.clock,
            ticking=parts.ticking,
        )
        self._source = parts.source
        self._upkeep = parts.upkeep
        self._queue_check = parts.queue_check
        self.copier: Copier | None = None
        self.board = LiveBoard(
            self.runner, parts.source, parts.store, parts.page_clock, self._other_problems, parts.visit_watch
        )
        self.watch = self._new_watch(parts)
        self._teller = teller_of(
            self.board, self.runner, self.watch, parts.source, parts.clock, parts.page_clock
        )
        self._page = None
        if listener is not None:
            # The page costs half a second to load; a service without one should not pay it.
            from monitor.web.serve import PageServer  # noqa: PLC0415
            from monitor.web.server import LOOPBACK, create_app  # noqa: PLC0415

            loopback = listener.getsockname()[0] in {"127.0.0.1", "::1"}
            named = urlsplit(parts.dispatch.base or "").hostname
            hosts = (*LOOPBACK, *([named] if named else ())) if loopback else ("*",)
            secret = parts.dispatch.secret
            app = create_app(self.board, parts.page_clock, hosts, self.watch, parts.visit_watch, secret)
            self._page = page = PageServer(app, listener)
            self.watch.add("page", Part(lambda: page.alive, lambda: page.beat))

    def _report_of(self, site: Site) -> Report:
        return self.runner.desks[site.id].report()

    def _fleet(self, store: SqliteStore) -> Fleet | None:
        """Return what a heartbeat tells, None while stored readings are replayed."""
        if not self.runner.caught_up:
            return None
        reports = [desk.report() for desk in self.runner.desks.values()]
        return fleet_of(reports, store, self.board.health().problems)

    def _composer(self, parts: Parts) -> Compose:
        """Return what words alerts: the first action as it is after the last visit."""
        compose = composer(parts.dispatch.book, parts.dispatch.voices, self._report_of, parts.clock)

        def after_visits(site: Site, finding: Finding) -> Mapping[str, Alert]:
            visits, now = parts.store.visits(site.id), parts.page_clock.now()
            return compose(
                site, followed_finding(site, visits, self._report_of(site), finding, now, parts.visit_watch)
            )

        return after_visits

    def _new_watch(self, parts: Parts) -> Watch:
        path = parts.store.database.path
        limits = BrokerLimits if parts.queue_check is None else parts.queue_check.limits
        watch = Watch(Sources(self.board, parts.store, path, self._words, parts.source.health, limits))
        watch.add(WORKER, Part(lambda: self.runner.alive, lambda: self.runner.beat))
        watch.add("alerts", Part(lambda: self._sender.alive))
        watch.add("teller", Part(lambda: self._teller.alive, lambda: self._teller.beat))
        upkeep = parts.upkeep
        if upkeep is not None:
            watch.add("upkeep", Part(lambda: upkeep.alive))
        return watch

    @property
    def url(self) -> str | None:
        """Return the address of the page."""
        return None if self._page is None else self._page.url

    @property
    def ready(self) -> bool:
        """Tell whether all parts are up and nothing keeps the service from its work."""
        return (self._page is None or self._page.ready) and not self.board.health().problems

    @property
    def up(self) -> bool:
        """Tell whether page and worker have begun their work; the worker may still be reading the past."""
        return (self._page is None or self._page.ready) and self.runner.alive and self.runner.beat > 0

    def doing(self) -> str:
        """Return in a line what keeps the service from its work, or what it does; waits for nothing."""
        source, count = self._source.health(), len(self.sites)
        sites = "1 site" if count == 1 else f"{count} sites"
        away = [] if source.connected else [f"no connection to the broker: {source.detail}"]
        return "; ".join([*self.runner.problems(), *away]) or f"watching {sites}; {source.detail}"

    @property
    def alive(self) -> bool:
        """Tell whether everything that must run does."""
        return self.runner.alive and (self._page is None or self._page.alive)

    def start(self) -> None:
        """Start all parts; returns at once."""
        self._sender.start()
        self.runner.start()
        if self._upkeep is not None:
            self._upkeep.start()
        if self.copier is not None:
            self.copier.start()
        self._teller.start()
        if self._queue_check is not None:
            self._queue_check.start()
        if self._page is not None:
            self._page.start()

    def stop(self) -> bool:
        """Stop intake, finish and acknowledge what is in hand, stop the rest; False if something hung.

        What loses nothing when it is cut off is told to stop and not waited for.
        """
        self._teller.stop(0.0)
        if self._queue_check is not None:
            self._queue_check.stop(0.0)
        finished = self.runner.stop()
        sent = self._sender.stop()
        if self.copier is not None:
            self.copier.stop()  # a write that hangs loses nothing: what it carries stays owed
        if self._upkeep is not None:
            finished = self._upkeep.stop() and finished
        if self._page is not None:
            self._page.stop()
        self._teller.stop()
        return finished and sent

    def _other_problems(self) -> list[str]:
        upkeep = [] if self._upkeep is None else self._upkeep.problems()
        copy = [] if self.copier is None else self.copier.problems()
        still = [f"the part {name!r} stands still; restart the service" for name in self.watch.stalled()]
        return [*still, *self._sender.problems(), *upkeep, *copy]

    def _words(self) -> list[str]:
        return self._teller.words()
