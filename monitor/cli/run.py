"""``cushionwatch run``: the service."""

from __future__ import annotations

import logging
import signal
import threading
import time
from typing import Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load

LOG = logging.getLogger("cushionwatch")


def run(
    config: Config = DEFAULT,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Log more, whatever [log] says.")] = False,
) -> None:
    """Run the service until it is told to stop (SIGTERM or Ctrl-C).

    It takes readings from the broker, keeps them, follows the air charge of each site, raises events, sends
    alerts and serves the page. Its log goes to stderr. A service manager such as systemd is told when it is up,
    what it does, and, where it asks for signs of life, that all threads move.

    Example: `cushionwatch run --config config/cushionwatch.toml`
    """
    from monitor.app import from_settings  # noqa: PLC0415 - loads everything
    from monitor.cli import logs, systemd  # noqa: PLC0415

    settings = load(config)
    logs.set_up(logging.DEBUG if verbose else logs.LEVELS[settings.log.level], settings.log.format)
    stopping = stop_on_signals()
    with from_settings(settings) as service:
        broker = f"{settings.broker.host}:{settings.broker.port_number}"
        count = len(settings.sites)
        sites = "1 site" if count == 1 else f"{count} sites"
        LOG.info("watching %s; broker %s; page %s", sites, broker, service.url or "off")
        manager = systemd.manager()
        if manager.watchdog is not None:
            service.watch.patience = manager.watchdog / 2
        supervisor = systemd.Supervisor(service, manager, time.monotonic)
        service.start()
        supervisor.look()
        while not stopping.wait(systemd.LOOK) and service.alive:
            supervisor.look()
        failed = not service.alive
        supervisor.stop()
        LOG.info("stopping")
        if not service.stop() or failed:
            LOG.error("stopped, but not in order; what was not stored stays with the broker")
            raise typer.Exit(1)
        LOG.info("stopped")


def stop_on_signals() -> threading.Event:
    """Return an event that is set by SIGTERM and SIGINT."""
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    return stopping


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(run)
