"""``cushionwatch rejected``: what was refused, and why."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load


def rejected(
    config: Config = DEFAULT,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many of the newest to list.")] = 20,
) -> None:
    """List the newest payloads that were refused, each with its reason.

    Example: `cushionwatch rejected --config config/cushionwatch.toml --limit 5`
    """
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store
    from monitor.web.machine import rfc3339  # noqa: PLC0415

    with existing_store(load(config)) as store:
        rows, count = store.rejected(limit), store.rejected_count()
    for row in rows:
        # repr: a payload may hold anything, also what a terminal obeys.
        typer.echo(f"{rfc3339(row.received)}  {row.topic!r}  {row.reason}\n    {row.payload!r}")
    typer.echo(f"{count} refused so far" + (f"; the newest {len(rows)} are above" if rows else ""))


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(rejected)
