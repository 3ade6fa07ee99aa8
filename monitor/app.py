"""The composition root: settings in, a running service out. Only here do adapters meet the service."""

from __future__ import annotations

import logging
import random
import socket
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TextIO

from monitor.alerting.channels import build_channels
from monitor.alerting.routing import ChannelRule, ChannelSettings, composer
from monitor.alerting.sender import OutboxSender
from monitor.diagnosis.report import Report
from monitor.errors import StoreError
from monitor.ingest.mqtt import MqttSource
from monitor.ingest.payload import Decoder
from monitor.service.board import LiveBoard
from monitor.service.clock import SystemClock
from monitor.service.ports import Clock, MessageSource
from monitor.service.runner import Decode, Runner
from monitor.service.settings import ServiceSettings
from monitor.service.settings.copyfile import CopyTable
from monitor.service.teller import Teller
from monitor.service.vitals import BrokerLimits
from monitor.service.watching import Part, Sources, Watch, program_version
from monitor.site import Site
from monitor.store.ballast import MB, Ballast
from monitor.store.lock import alone_in
from monitor.store.retention import Keep
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep
from monitor.web import told

if TYPE_CHECKING:  # the client library of the copy takes half a second to load
    from monitor.store.influx.copier import Copier
    from monitor.store.influx.ledger import Ledger

LOG = logging.getLogger("cushionwatch")

STORE: Final = "cushionwatch.db"
"""Name of the store's file in the data folder."""

BALLAST: Final = "cushionwatch.ballast"
"""Name of the file beside it that is given up on a full disk."""


LEDGER: Final = "cushionwatch-copy.db"
"""Name of the file beside it that says what is owed to the copy."""


@contextmanager
def open_store(settings: ServiceSettings, ledger: Ledger | None = None) -> Iterator[SqliteStore]:
    """Open the store of a service for the length of a ``with`` block; make its folder where there is none.

    With a ledger all that is stored is owed to the copy too.
    """
    _make_folder(settings)
    if ledger is None:
        store = SqliteStore(settings.data / STORE)
    else:
        from monitor.store.influx.store import CopiedStore  # noqa: PLC0415

        store = CopiedStore(settings.data / STORE, ledger)
    try:
        yield store
    finally:
        store.close()


def _make_folder(settings: ServiceSettings) -> None:
    try:
        settings.data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the data folder {settings.data} cannot be made: {error.strerror}") from error


@contextmanager
def open_ledger(settings: ServiceSettings, table: CopyTable) -> Iterator[Ledger]:
    """Open the ledger of the copy for the length of a ``with`` block; make it where there is none."""
    from monitor.store.influx.ledger import Ledger  # noqa: PLC0415

    _make_folder(settings)
    ledger = Ledger(settings.data / LEDGER, most=table.owe_at_most)
    try:
        yield ledger
    finally:
        ledger.close()


def copier_of(table: CopyTable, ledger: Ledger, store: SqliteStore, runner: Runner, clock: Clock) -> Copier:
    """Return what brings the copy up to what the store of a service holds."""
    from monitor.store.influx.copier import Copier  # noqa: PLC0415
    from monitor.store.influx.remote import Remote, Target  # noqa: PLC0415

    target = Target(table.url, table.organisation, table.bucket, table.token, table.timeout, table.ca)

    def reports() -> list[Report]:
        return [desk.report() for desk in runner.desks.values()] if runner.caught_up else []

    return Copier(ledger, store, Remote(target), reports, clock, random.random)


def upkeep_of(settings: ServiceSettings, store: SqliteStore, clock: Clock) -> Upkeep:
    """Return what keeps the store of a service small."""
    table = settings.store
    ballast = Ballast(settings.data / BALLAST, table.ballast_mb * MB)
    return Upkeep(store.database, clock, Keep(table.readings, table.minutes, table.hours), ballast)


def rules_of(settings: ServiceSettings) -> list[ChannelRule]:
    """Return the alert channels of the settings, with their secrets read."""
    return [
        ChannelSettings(name, table.secret_url(), frozenset(table.severities))
        for name, table in settings.channels.items()
    ]


@contextmanager
def from_settings(settings: ServiceSettings) -> Iterator[Service]:
    """Build the service that the settings describe, not started yet; its store is closed at the end.

    Its data folder is its own until then: `StoreError` if another service works there.
    """
    clock = SystemClock()
    decoder = Decoder(settings.sites, settings.topics)
    _make_folder(settings)
    with ExitStack() as stack:
        stack.enter_context(alone_in(settings.data))
        ledger = (
            stack.enter_context(open_ledger(settings, settings.timeseries)) if settings.timeseries else None
        )
        store = stack.enter_context(open_store(settings, ledger))
        listener = None
        if settings.web.enabled:
            from monitor.web.serve import listen  # noqa: PLC0415 - see Service

            listener = stack.enter_context(listen(settings.web.host, settings.web.port, search=False))
        parts = Parts(
            sites=settings.sites,
            source=MqttSource(settings.broker, decoder.filters, clock),
            decode=decoder.decode,
            store=store,
            rules=rules_of(settings),
            terminal=sys.stdout,
            clock=clock,
            page_clock=clock,
            upkeep=upkeep_of(settings, store, clock),
        )
        service = Service(parts, listener)
        if settings.timeseries and ledger:
            service.copier = copier = copier_of(settings.timeseries, ledger, store, service.runner, clock)
            service.watch.add("copy", Part(lambda: copier.alive))
        yield service


@dataclass(frozen=True, slots=True)
class Parts:
    """What a service is built of. ``clock``: time of day; ``page_clock``: what the page calls now."""

    sites: Mapping[str, Site]
    source: MessageSource
    decode: Decode
    store: SqliteStore
    rules: Sequence[ChannelRule]
    terminal: TextIO
    clock: Clock
    page_clock: Clock
    ticking: bool = True
    upkeep: Upkeep | None = None


class Service:
    """The running service: worker, sender of alerts and page, each in threads of its own."""

    def __init__(self, parts: Parts, listener: socket.socket | None) -> None:
        self.sites = parts.sites
        channels = build_channels(parts.rules, parts.terminal)
        self._sender = OutboxSender(parts.store, channels, parts.clock, random.random)
        self.runner = Runner(
            list(parts.sites.values()),
            parts.source,
            parts.store,
            parts.decode,
            composer(parts.rules, lambda site: self.runner.desks[site.id].report(), parts.clock),
            self._sender.wake,
            parts.clock,
            ticking=parts.ticking,
        )
        self._upkeep = parts.upkeep
        self.copier: Copier | None = None
        self.board = LiveBoard(self.runner, parts.source, parts.store, parts.page_clock, self._other_problems)
        self._teller = self._new_teller(parts)
        self.watch = self._new_watch(parts)
        self._page = None
        if listener is not None:
            # The page costs half a second to load; a service without one should not pay it.
            from monitor.web.serve import PageServer  # noqa: PLC0415
            from monitor.web.server import LOOPBACK, create_app  # noqa: PLC0415

            loopback = listener.getsockname()[0] in {"127.0.0.1", "::1"}
            hosts = LOOPBACK if loopback else ("*",)
            app = create_app(self.board, parts.page_clock, hosts, self.watch)
            self._page = page = PageServer(app, listener)
            self.watch.add("page", Part(lambda: page.alive, lambda: page.beat))

    def _new_teller(self, parts: Parts) -> Teller:
        desks, version = self.runner.desks, program_version()

        def verdict(site: str) -> dict[str, Any] | None:
            desk, view = desks[site], self.board.site(site)
            if view is None or not (desk.live or desk.failure) or self.watch.stalled():
                return None
            return told.verdict(view, parts.page_clock.now(), desk.failure)

        def state() -> dict[str, Any]:
            return told.state(self.board.health(), version, self.watch.warnings())

        return Teller(tuple(desks), verdict, state, told.write, parts.source.publish, parts.clock)

    def _new_watch(self, parts: Parts) -> Watch:
        path = parts.store.database.path
        watch = Watch(
            Sources(self.board, parts.store, path, self._teller.words, parts.source.health, BrokerLimits)
        )
        watch.add("worker", Part(lambda: self.runner.alive, lambda: self.runner.beat))
        watch.add("alerts", Part(lambda: self._sender.alive))
        watch.add("teller", Part(lambda: self._teller.alive))
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
        if self._page is not None:
            self._page.start()

    def stop(self) -> bool:
        """Stop intake, finish and acknowledge what is in hand, stop the rest; False if something hung."""
        self._teller.stop()
        finished = self.runner.stop()
        sent = self._sender.stop()
        if self.copier is not None:
            self.copier.stop()  # a write that hangs loses nothing: what it carries stays owed
        if self._upkeep is not None:
            finished = self._upkeep.stop() and finished
        if self._page is not None:
            self._page.stop()
        return finished and sent

    def _other_problems(self) -> list[str]:
        upkeep = [] if self._upkeep is None else self._upkeep.problems()
        copy = [] if self.copier is None else self.copier.problems()
        return [*self._sender.problems(), *upkeep, *copy]
