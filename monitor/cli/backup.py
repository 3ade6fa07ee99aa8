"""``cushionwatch backup``: a checked copy of the store, while the service runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load

if TYPE_CHECKING:
    from monitor.store.copies import Content


def backup(
    copy: Annotated[
        Path, typer.Argument(metavar="FILE", help="The copy; must not exist.", show_default=False)
    ],
    config: Config = DEFAULT,
) -> None:
    """Copy the store to one file, and check the copy; the service may run.

    The copy holds readings, visits, events and what is owed to alert channels, of one moment. It has its name only
    once it was read back whole and found sound.

    Example: `cushionwatch backup /media/usb/cushionwatch-2026-03-01.db`
    """
    from monitor.app import require_store  # noqa: PLC0415 - loads the store
    from monitor.store.copies import back_up  # noqa: PLC0415

    content = back_up(require_store(load(config)), copy)
    typer.echo(f"Copied and checked: {copy}\n  {told(content)}")


def told(content: Content) -> str:
    """Return in words what a store holds."""
    return f"{content.readings} readings, {content.visits} visits, {content.events} events"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(backup)
