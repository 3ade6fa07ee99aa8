"""The running service on a disk that fails to sync: it must end at once, and nothing may be missing after a restart."""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path
from typing import Final

from broker import wait_until

from tests.faults.load import Load
from tests.faults.network import finish
from tests.faults.place import Place, broker_and_place, site_names
from tests.faults.table import Row
from tests.faults.wounded import WOUND

OPENING: Final = 15
"""Syncs that the start itself may need."""
END: Final = 1.0
"""Seconds within which the process must have ended, on a machine that has nothing else to do."""
SAID: Final = "the disk did not keep what it was given"


def broken_disk(times: int, rate: float, seed: int, *, sites: int = 20, within: float = END) -> Row:
    """Let a sync of the log fail ``times`` times, under load; the process must end ``within`` s."""
    row = Row(f"failed sync (service), {rate:g}/s", means="failed sync until the process has ended")
    rng = random.Random(seed)
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(sites)) as (broker, place),
    ):
        load = place.ends(Load(broker.port, site_names(sites), rate, seed))
        for number in range(times):
            row.times += 1
            wounds, said = place.log.count(WOUND), place.log.count(SAID)
            at = OPENING + rng.randint(1, 40)
            wounded = ("-m", "tests.faults.wounded", f"fail-sync:{at}")
            if number == 0:  # the broker keeps messages for it from its first subscription on
                place.start(wounded)
                load.start()
            else:
                place.start(wounded, until="watching")
            _await_end(row, place, wounds)
            row.require(place.log.count(SAID) > said, "it says what the disk did")
        row.require((row.worst or 0.0) <= within, f"it ends within {within:g} s")
        place.start()
        finish(row, load, place)
    return row


def _await_end(row: Row, place: Place, wounds: int) -> None:
    """Wait for one more failed sync than ``wounds``, and then for the end of the process."""
    wait_until(lambda: place.log.count(WOUND) > wounds, timeout=60, what="the failed sync")
    began = time.monotonic()
    try:
        wait_until(lambda: place.ended, timeout=60, what="the end")
    except AssertionError:
        row.require(kept=False, promise="a service whose disk did not sync ends")
        place.stop()
    else:
        row.require(place.process is not None and place.process.returncode == 1, "it ends with 1")
    row.took(time.monotonic() - began)
