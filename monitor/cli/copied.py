"""``cushionwatch copy``: how far the copy in a time-series database is, and what it did not get."""

from __future__ import annotations

from typing import Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load


def copy(
    config: Config = DEFAULT,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many of the newest to list.")] = 20,
    everything: Annotated[
        bool,
        typer.Option(
            "--everything", help="Owe all that is stored once more, for a database that is new or empty."
        ),
    ] = False,
) -> None:
    """Tell what is still owed to the time-series database, which points it refused, and which gaps it has.

    Works beside a running service, which sends what is owed. The embedded store has all of it in any case.

    Example: `cushionwatch copy --config config/cushionwatch.toml --limit 5`
    """
    from monitor.app import open_ledger, open_store, require_store  # noqa: PLC0415 - loads the store
    from monitor.store.influx.history import owe_history  # noqa: PLC0415
    from monitor.web.machine import rfc3339  # noqa: PLC0415

    settings = load(config)
    if settings.timeseries is None:
        typer.echo(f"No copy is made: there is no table [timeseries] in {config}")
        return
    require_store(settings)
    with open_ledger(settings, settings.timeseries) as ledger:
        if everything:
            with open_store(settings) as store:
                owe_history(ledger, store)
        owed, refused, gaps = ledger.counts()
        aside, missing = ledger.aside(limit), ledger.gaps(limit)
    for row in aside:
        # repr: a reason is what another machine wrote.
        typer.echo(f"{rfc3339(row.noticed)}  refused  {row.reason!r}\n    {row.line!r}")
    for gap in missing:
        first, last = (rfc3339(stamp / 1e6) for stamp in (gap.first_us, gap.last_us))
        typer.echo(f"{rfc3339(gap.noticed)}  gap  {gap.site} {gap.kind} from {first} to {last}: {gap.why}")
    typer.echo(f"{owed} hours of a series are owed, {refused} points were refused, {gaps} gaps are listed")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(copy)
