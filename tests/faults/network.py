"""The line between the broker and the service: slow, cut, or dead without a word; and the broker restarted."""

from __future__ import annotations

import random
import signal
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from broker import Broker, running_broker, wait_until

from tests.faults.ledger import compare, enter
from tests.faults.load import Load
from tests.faults.place import Place, broker_and_place, limits, site_names
from tests.faults.proxy import Line, Proxy, proxy_to
from tests.faults.table import Row

KEEP_ALIVE: Final = 5.0
"""Seconds; the shortest that the settings allow, so that a dead line is noticed within one and a half of it."""
RECONNECT: Final = 60.0
"""Seconds within which a service must be back once the line or the broker is."""

Fault = Callable[[Proxy], None]


def network(outages: Sequence[float], rate: float, seed: int, *, sites: int = 50) -> Row:
    """Cut and kill the line for each of ``outages`` [s], then make it slow and narrow for as long as the first."""
    row = Row(f"network to the broker, {rate:g}/s", means="line up until messages are stored again")
    with (
        tempfile.TemporaryDirectory() as name,
        running_broker(Path(name), *limits()) as broker,
        proxy_to(broker.port) as proxy,
    ):
        home = Path(name) / "service"
        lines = f'keep_alive = "{KEEP_ALIVE:g} s"'
        place = Place(home, proxy.port, site_names(sites), broker_lines=lines)
        try:
            _injure(row, proxy, broker, place, outages, rate, seed)
        finally:
            place.close()
    return row


def _injure(
    row: Row,
    proxy: Proxy,
    broker: Broker,
    place: Place,
    outages: Sequence[float],
    rate: float,
    seed: int,
) -> None:
    place.start()
    load = place.ends(Load(broker.port, site_names(len(list((place.path / "sites").iterdir()))), rate, seed))
    load.start()
    time.sleep(0.5)
    for line in (Line.CUT, Line.DEAD):
        for outage in outages:
            row.times += 1
            proxy.line = line
            time.sleep(outage)
            held = place.held()
            proxy.line = Line.UP
            row.took(_news(place, held))
    for proxy.delay, proxy.rate in ((0.2, None), (0.0, 8000.0)):  # 8 kB/s: a modem's 64 kbit/s
        row.times += 1
        time.sleep(outages[0])
    proxy.delay, proxy.rate = 0.0, None
    row.require((row.worst or 0.0) <= RECONNECT, f"back within {RECONNECT:g} s")
    finish(row, load, place)


def _news(place: Place, held: int) -> float:
    """Wait until the store holds more than ``held``; return the wait [s]."""
    began = time.monotonic()
    wait_until(lambda: place.held() > held, timeout=2 * RECONNECT, what="a new reading in the store")
    return time.monotonic() - began


def finish(row: Row, load: Load, place: Place) -> None:
    """End a load and its service, and count."""
    ledger = load.finish()
    drained = place.drain(ledger.sent)
    row.require(place.stop() == 0, "told to end it ends in order")
    found = compare(ledger, place.store_file)
    enter(row, ledger, found)
    _, traceback, rest = place.log.partition("Traceback")
    row.require(not traceback, f"no traceback: {rest[-800:]}")
    row.notes.append(
        f"{ledger.sent / load.took:.0f} messages/s were sent; drained {drained:.1f} s after the last; "
        f"{found.refused_again} refusals without a number listed again"
    )


def _restart(broker: Broker, place: Place, row: Row, how: signal.Signals) -> None:
    held_up = how is signal.SIGKILL and place.process is not None
    if held_up and place.process is not None:
        # So that the broker has confirmed messages that nobody has taken yet.
        place.process.send_signal(signal.SIGSTOP)
        time.sleep(0.3)
    broker.stop(how)
    if held_up and place.process is not None:
        place.process.send_signal(signal.SIGCONT)
    time.sleep(0.2)
    held = place.held()
    broker.start()
    row.took(_news(place, held))


def _send_again(load: Load, place: Place, row: Row) -> None:
    """Look for the gaps that a killed broker leaves, then let the devices send all of it again."""
    load.pause()
    load.round()  # a gap shows by what comes after it
    place.drain(load.ledger.sent, still=3.0)
    found = compare(load.ledger, place.store_file)
    numbered = {one for one in found.lost if one}
    row.require(numbered == found.gaps, "what went with the broker is listed as a gap, where devices number")
    row.notes.append(
        f"{len(found.lost)} samples went with the broker, {len(numbered)} of them of devices that number; "
        f"{len(found.gaps)} numbers were listed as missing until the devices sent again"
    )
    load.repeat()


def broker_restarts(times: int, rate: float, seed: int, *, how: signal.Signals, sites: int = 50) -> Row:
    """Restart the broker ``times`` times.

    After a SIGTERM nothing may be missing. A broker that is killed loses what it had confirmed and not written
    down yet; devices that keep what they sent publish it again once the broker is back, as these do.
    """
    row = Row(f"{how.name} of the broker, {rate:g}/s", means="broker up until messages are stored again")
    rng = random.Random(seed)
    with (
        tempfile.TemporaryDirectory() as name,
        broker_and_place(Path(name), site_names(sites)) as (broker, place),
    ):
        place.start()
        load = place.ends(Load(broker.port, site_names(sites), rate, seed))
        load.start()
        for _ in range(times):
            time.sleep(rng.uniform(0.3, 1.5))
            row.times += 1
            _restart(broker, place, row, how)
        row.require((row.worst or 0.0) <= RECONNECT, f"back within {RECONNECT:g} s")
        if how is signal.SIGKILL:
            _send_again(load, place, row)
        finish(row, load, place)
    return row
