"""``cushionwatch alert``: tries whether alerts arrive."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError


def alert(
    config: Config = DEFAULT,
    test: Annotated[bool, typer.Option("--test", help="Send a test alert through each channel.")] = False,
) -> None:
    """Send a test alert through each channel, and say of each whether it went out.

    The exit code is 0 if all went out, 1 if one did not, 2 if no channel is configured.

    Example: `cushionwatch alert --test --config config/cushionwatch.toml`
    """
    from monitor.alerting.channels import build_channels, test_channels  # noqa: PLC0415 - loads slowly
    from monitor.dispatch import dispatch_of  # noqa: PLC0415
    from monitor.service.clock import SystemClock  # noqa: PLC0415

    settings = load(config)
    if not settings.channels and not settings.people:
        raise InputError(
            f"{config}: no channel is configured; add a table [people.NAME] or [alerts.channels.NAME]"
        )
    if not test:
        raise InputError("nothing to do; add --test to send a test alert through each channel")
    results = test_channels(
        build_channels(dispatch_of(settings).book.recipients, sys.stdout), SystemClock().now()
    )
    for name, sent, detail in results:
        typer.echo(f"{name}: {'went out' if sent else f'did NOT go out: {detail}'}")
    raise typer.Exit(0 if all(sent for _, sent, _ in results) else 1)


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(alert)
