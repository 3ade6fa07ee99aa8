"""The embedded store, with a mark in the ledger before each commit that the copy must follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from monitor.diagnosis.faults import Finding
from monitor.readings import Reading, Rejected
from monitor.service.ports import NOTHING, Alert, Committed, Event
from monitor.store.influx.ledger import Ledger
from monitor.store.sqlite import SqliteStore


class CopiedStore(SqliteStore):
    """A `SqliteStore` whose readings and events are owed to the copy from the moment that they are stored."""

    def __init__(self, path: Path, ledger: Ledger) -> None:
        super().__init__(path)
        self._ledger = ledger

    def commit(
        self,
        readings: Sequence[Reading],
        rejected: Sequence[Rejected],
        analysed: Mapping[str, float] = NOTHING,
    ) -> Committed:
        """Mark, then store."""
        with self._ledger.owing(readings):
            return super().commit(readings, rejected, analysed)

    def raise_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Mark, then open the event."""
        with self._ledger.owing_events(site):
            return super().raise_event(site, finding, alerts)

    def amend_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Mark, then amend the event."""
        with self._ledger.owing_events(site):
            return super().amend_event(site, finding, alerts)

    def redate_event(
        self, site: str, old: Finding, finding: Finding, alerts: Mapping[str, Alert]
    ) -> Event | None:
        """Mark, then redate the event."""
        with self._ledger.owing_events(site):
            return super().redate_event(site, old, finding, alerts)

    def end_event(self, site: str, finding: Finding, alerts: Mapping[str, Alert]) -> Event | None:
        """Mark, then end the event."""
        with self._ledger.owing_events(site):
            return super().end_event(site, finding, alerts)
