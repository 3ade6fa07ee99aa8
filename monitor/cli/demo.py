"""``cushionwatch demo``: everything at once on this machine, with nothing to set up."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.run import stop_on_signals

_STOPPED = "\nStopped. Nothing is left behind."


def demo(
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the page.")] = 8080,
) -> None:
    """See it at work: three invented sites, six weeks in under a minute, no set-up, no network.

    Starts a broker, a simulator and the service on this machine, shows a fault as it develops, the alert in
    this terminal and the page in a browser. Ctrl-C ends all of it and leaves nothing behind.
    """
    signal.signal(signal.SIGINT, _leave)
    _say("cushionwatch demo: starting a broker, the service and its page ...\n")
    from monitor.cli.stage import play  # noqa: PLC0415 - loads slowly, and a word comes first

    stopping = stop_on_signals()
    with tempfile.TemporaryDirectory(prefix="cushionwatch-demo-") as folder:
        play(Path(folder), port, stopping, _say)
    _say(_STOPPED)


def _leave(*_: object) -> None:
    """End at once: nothing has been started yet, and an import cannot be interrupted in good order."""
    os.write(1, f"{_STOPPED}\n".encode())
    os._exit(0)


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(demo)
