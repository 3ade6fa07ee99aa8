"""Every fault with its numbers: large for an evening, small for the test suite."""

from __future__ import annotations

import signal
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Final

from tests.faults.broken_disk import broken_disk
from tests.faults.clocks import clock_steps, summer_time
from tests.faults.copy_away import copy_away
from tests.faults.damage import damage
from tests.faults.full_disk import full_disk
from tests.faults.kills import kills, stops
from tests.faults.network import broker_restarts, network
from tests.faults.outbox import outbox
from tests.faults.power import power_cuts
from tests.faults.table import Row
from tests.faults.traced import syncs_before_acknowledgements
from tests.faults.unsynced import failed_syncs

Injure = Callable[[int], Row]
"""From a seed to what came of it."""


@dataclass(frozen=True)
class Fault:
    """One fault, in two sizes."""

    large: Injure
    small: Injure


def _seeded(function: Callable[..., Row], *numbers: object, **more: object) -> Injure:
    return lambda seed: partial(function, *numbers, **more)(seed=seed)


FAULTS: Final[Mapping[str, Fault]] = {
    "power": Fault(_seeded(power_cuts, 2_000), _seeded(power_cuts, 60)),
    "sync": Fault(_seeded(failed_syncs, 1_000), _seeded(failed_syncs, 30)),
    "trace": Fault(
        _seeded(syncs_before_acknowledgements, 10.0, 200.0),
        _seeded(syncs_before_acknowledgements, 0.5, 100.0),
    ),
    "disk": Fault(_seeded(broken_disk, 20, 2000.0), _seeded(broken_disk, 1, 200.0, sites=5, within=30.0)),
    "full": Fault(_seeded(full_disk, 4, 20.0, 1000.0), _seeded(full_disk, 1, 0.5, 300.0, sites=5)),
    "kill": Fault(
        _seeded(kills, 100, 2000.0, rounds=10, sites=100, stories=5),
        _seeded(kills, 1, 1000.0, sites=10, stories=1),
    ),
    "stop": Fault(
        _seeded(stops, 20, 2000.0, sites=100, stories=5), _seeded(stops, 1, 500.0, sites=5, stories=0)
    ),
    "broker-stop": Fault(
        _seeded(broker_restarts, 20, 2000.0, how=signal.SIGTERM),
        _seeded(broker_restarts, 1, 300.0, how=signal.SIGTERM, sites=5),
    ),
    "broker-kill": Fault(
        _seeded(broker_restarts, 20, 2000.0, how=signal.SIGKILL),
        _seeded(broker_restarts, 1, 300.0, how=signal.SIGKILL, sites=5),
    ),
    # A minute and an hour of outage are scaled: what differs is how much waits in the broker.
    "network": Fault(_seeded(network, (1.0, 20.0, 90.0), 1000.0), _seeded(network, (0.4,), 200.0, sites=5)),
    "copy": Fault(_seeded(copy_away, 120.0, 2000.0), _seeded(copy_away, 1.0, 300.0, sites=5, within=30.0)),
    "clock": Fault(_seeded(clock_steps, 5.0, 1000.0), _seeded(clock_steps, 0.3, 300.0, sites=5)),
    "summer-time": Fault(
        _seeded(summer_time, 10.0, 1000.0), _seeded(summer_time, 1.0, 100.0, sites=5, days=1)
    ),
    "damage": Fault(_seeded(damage, 30), _seeded(damage, 1, run=False)),
    "outbox": Fault(_seeded(outbox, 60), _seeded(outbox, 1)),
}
