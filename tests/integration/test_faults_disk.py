"""Power cuts, failing syncs and a full disk, in small; `python -m tests.faults` does it in large."""

from __future__ import annotations

import random

import pytest

from monitor.store import database
from tests.faults.catalogue import FAULTS
from tests.faults.power import power_cuts
from tests.faults.unsynced import failed_syncs


def small(name: str) -> None:
    seed = random.randrange(1 << 30)  # from the seed that the run prints at its top
    row = FAULTS[name].small(seed)
    if row.skipped:
        pytest.skip(row.skipped)
    assert row.broken == [], f"seed {seed}"
    assert row.times > 0


@pytest.mark.parametrize("name", ["power", "sync", "trace", "disk", "full", "damage"])
def test_what_was_confirmed_is_there(name: str) -> None:
    small(name)


def test_the_power_cuts_find_a_store_that_does_not_wait_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    configure = database._configure

    def careless(connection: database.apsw.Connection) -> None:
        configure(connection)
        connection.pragma("synchronous", "NORMAL")

    monkeypatch.setattr(database, "_configure", careless)
    row = power_cuts(40, 1)
    assert row.lost
    assert any(promise.startswith("whole batches, none missing") for promise in row.broken)


def test_the_failing_syncs_find_a_start_that_trusts_what_it_reads(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "_renew_log", lambda *_: None)
    assert failed_syncs(20, 1).lost


def test_the_failing_syncs_find_a_store_that_tries_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database.Database, "_require_sound", database.Database._require_open)
    row = failed_syncs(5, 1)
    assert "no second try on a file whose sync failed" in row.broken
