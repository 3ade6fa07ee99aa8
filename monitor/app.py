"""The composition root: settings in, a running service out. Only here do adapters meet the service."""

from __future__ import annotations

import logging
import random
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.diagnosis.report import Report
from monitor.dispatch import dispatch_of
from monitor.errors import InputError, StoreError
from monitor.ingest.mqtt import MqttSource
from monitor.ingest.payload import Decoder
from monitor.ingest.queuecheck import QueueCheck
from monitor.running import Parts, Service
from monitor.service.clock import SystemClock
from monitor.service.ports import Clock
from monitor.service.runner import Runner
from monitor.service.settings import ServiceSettings
from monitor.service.settings.copyfile import CopyTable
from monitor.service.watching import Part
from monitor.store.ballast import MB, Ballast
from monitor.store.lock import alone_in
from monitor.store.retention import Keep
from monitor.store.secret import secret_in
from monitor.store.sqlite import SqliteStore
from monitor.store.upkeep import Upkeep

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


def existing_store(settings: ServiceSettings) -> AbstractContextManager[SqliteStore]:
    """Open the store that a service has made, for the length of a ``with`` block; `InputError` if there is none.

    For whoever only asks: an empty store made on the spot would answer that there is nothing.
    """
    require_store(settings)
    return open_store(settings)


def require_store(settings: ServiceSettings) -> Path:
    """Return the file of the store; `InputError` if there is none."""
    path = settings.data / STORE
    if not path.exists():
        raise InputError(
            f"there is no store in {settings.data} yet: the service makes it; is `data` in {settings.file} right?"
        )
    return path


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
        source = MqttSource(settings.broker, decoder.filters, clock)
        parts = Parts(
            sites=settings.sites,
            source=source,
            decode=decoder.decode,
            store=store,
            dispatch=dispatch_of(settings, secret_in(settings.data)),
            terminal=sys.stdout,
            clock=clock,
            page_clock=clock,
            upkeep=upkeep_of(settings, store, clock),
            visit_watch=settings.visits.watch,
            queue_check=QueueCheck(settings.broker, decoder.filters, source, clock),
        )
        service = Service(parts, listener)
        if settings.timeseries and ledger:
            service.copier = copier = copier_of(settings.timeseries, ledger, store, service.runner, clock)
            service.watch.add("copy", Part(lambda: copier.alive))
        yield service
