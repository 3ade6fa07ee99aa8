"""The demo's stage: a broker and a simulator as processes, the service between them, and the story told."""

from __future__ import annotations

import logging
import math
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from monitor.alerting.channels import TERMINAL
from monitor.alerting.people import Book, Recipient
from monitor.app import STORE
from monitor.cli import story
from monitor.cli.children import Child, answers, free_port
from monitor.dispatch import Dispatch
from monitor.errors import CushionwatchError
from monitor.ingest.mqtt import MqttSource
from monitor.ingest.payload import Decoder
from monitor.running import Parts, Service
from monitor.service.clock import SystemClock
from monitor.service.desk import Desk
from monitor.service.settings import BrokerTable, load_site
from monitor.site import Site
from monitor.store.sqlite import SqliteStore
from monitor.web.serve import listen
from simulator.scenario import demo_sites

HOST: Final = "127.0.0.1"
DAYS: Final = 42
SPEED: Final = 90_000.0
"""Seconds of story in one second: 42 days take 40 s."""
_PATIENCE: Final = 30.0
"""Seconds for a part to come up."""
_BEAT: Final = 0.1
"""Seconds between two looks at the story."""
_IDLE: Final = 5
"""Looks without a new reading, after the simulator has ended, that end the story."""

Say = Callable[[str], None]


class StoryClock:
    """The newest instant of the story; the time of day before the first reading."""

    def __init__(self) -> None:
        self._desks: Iterable[Desk] = ()

    def follow(self, desks: Iterable[Desk]) -> None:
        """Take the time from the readings at these desks."""
        self._desks = desks

    def now(self) -> float:
        """Return epoch seconds UTC."""
        newest = max((desk.newest for desk in self._desks), default=-math.inf)
        return newest if newest > -math.inf else SystemClock().now()


def play(folder: Path, port: int, stopping: threading.Event, say: Say) -> None:
    """Play the whole story, then keep the page up until ``stopping`` is set; leave nothing behind."""
    logging.getLogger("cushionwatch").setLevel(logging.CRITICAL)  # the story is told in other words
    with ExitStack() as stack:
        listener = stack.enter_context(listen(HOST, port, search=True))
        taken = listener.getsockname()[1]
        if taken != port:
            say(f"Port {port} is in use by another program; the page takes {taken} instead.\n")
        broker_port = free_port()
        broker = stack.enter_context(Child("broker", folder, "monitor.cli.embedded", str(broker_port)))
        _await(lambda: answers(broker_port), broker, stopping)
        clock = StoryClock()
        service = _service(folder, broker_port, listener, clock, stack)
        _await(lambda: service.ready, broker, stopping)
        if stopping.is_set():
            return
        arguments = ("publish", "--port", str(broker_port), "--days", str(DAYS), "--speed", str(SPEED))
        simulator = stack.enter_context(Child("simulator", folder, "simulator", *arguments, "--quiet"))
        stories = {site.id: site.story for site in demo_sites()}
        say(story.opening(stories, service.sites, DAYS, DAYS * story.DAY / SPEED, str(service.url)))
        _tell(service, clock, (broker, simulator), stories, stopping, say)
        if not stopping.is_set():
            say(
                story.closing(
                    stories, service.board.sites(), clock.now() - DAYS * story.DAY, str(service.url)
                )
            )
            stopping.wait()


def _service(
    folder: Path, broker_port: int, listener: socket.socket, clock: StoryClock, stack: ExitStack
) -> Service:
    sites = _sites(folder)
    store = SqliteStore(folder / STORE)
    stack.callback(store.close)
    decoder = Decoder(sites)
    broker = BrokerTable(host=HOST, port=broker_port, protocol="3.1.1", client_id="cushionwatch-demo")
    parts = Parts(
        sites=sites,
        source=MqttSource(broker, decoder.filters, SystemClock()),
        decode=decoder.decode,
        store=store,
        dispatch=Dispatch(Book([Recipient("terminal", TERMINAL)])),
        terminal=sys.stdout,
        clock=SystemClock(),
        page_clock=clock,
        ticking=False,
    )
    service = Service(parts, listener)
    clock.follow(service.runner.desks.values())
    service.start()
    stack.callback(service.stop)
    return service


def _sites(folder: Path) -> dict[str, Site]:
    """Write the site files of the story and read them as those of any site are read."""
    sites = {}
    for one in demo_sites():
        path = folder / f"{one.id}.toml"
        path.write_text(one.toml, encoding="utf-8")
        sites[one.id] = load_site(path)
    return sites


def _tell(
    service: Service,
    clock: StoryClock,
    children: Sequence[Child],
    stories: Mapping[str, str],
    stopping: threading.Event,
    say: Say,
) -> None:
    """Say where the sites stand, week by week, until the simulator has told everything."""
    broker, simulator = children
    told, started, idle = 0, math.inf, 0
    while not stopping.is_set() and idle < _IDLE:
        broker.check()
        if simulator.code not in {None, 0} or not service.alive:
            simulator.check()
            raise CushionwatchError("the service ended unexpectedly")
        before = service.runner.stored
        stopping.wait(_BEAT)
        done = simulator.code == 0 and service.runner.stored == before
        idle = idle + 1 if done else 0
        if service.runner.stored:
            started = min(started, clock.now() - story.HOUR)
            day = int((clock.now() - started) // story.DAY)
            if day >= told + story.EVERY:
                told = day - day % story.EVERY
                say(story.week(told, stories, service.board.sites()))


def _await(condition: Callable[[], bool], child: Child, stopping: threading.Event) -> None:
    deadline = time.monotonic() + _PATIENCE
    while not stopping.is_set() and not condition():
        child.check()
        if time.monotonic() > deadline:
            raise CushionwatchError(f"the demo did not come up within {_PATIENCE:g} s: {child.last_words()}")
        stopping.wait(0.02)
