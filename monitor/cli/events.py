"""``cushionwatch events``: what stands, and what people do about it."""

from __future__ import annotations

from typing import Annotated, Final

import typer

from monitor.cli import event_acts
from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.cli.event_acts import opened, require
from monitor.errors import InputError

_ALL: Final = 1_000_000
_DAY: Final = 86400.0

events_app = typer.Typer(rich_markup_mode="markdown", epilog=EPILOG)


@events_app.callback(invoke_without_command=True)
def events(
    context: typer.Context,
    config: Config = DEFAULT,
    site: Annotated[str | None, typer.Option(help="Only this site.", show_default=False)] = None,
    everything: Annotated[bool, typer.Option("--all", help="Those that are over too.")] = False,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many of the newest to list.")] = 200,
    audit: Annotated[
        bool, typer.Option("--audit", help="Instead, who did what to events and sites, when and why.")
    ] = False,
    days: Annotated[float, typer.Option(min=0.01, max=36500, help="How far back `--audit` goes.")] = 90.0,
    table: Annotated[
        bool, typer.Option("--table", help="Instead, when each fault is raised and ended, and why so.")
    ] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print `--audit` as CSV.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, with times in UTC.")] = False,
) -> None:
    """List events that stand or wait for a person, and what is out of service; the service may run.

    A state is one of active_unacknowledged, active_acknowledged, returned_unacknowledged and normal. Behind it stands
    why people are not told of it now: shelved, out_of_service, suppressed_by_design or chattering.

    Example: `cushionwatch events --site riverside-12 --all`
    """
    if context.invoked_subcommand is not None:
        _nothing_before(context)
        return
    from monitor.cli import event_text  # noqa: PLC0415 - loads the core

    if as_csv and (as_json or not audit):
        raise InputError("--csv is a form of the audit trail: write --audit --csv, without --json")
    if table:
        typer.echo(event_text.table_json() if as_json else event_text.table_text())
        return
    settings = load(config)
    if site is not None:
        require(settings, site)
    with opened(settings) as (store, now):
        if audit:
            lines = store.audit(now - days * _DAY, site)
            form = (
                event_text.audit_csv
                if as_csv
                else event_text.audit_json
                if as_json
                else event_text.audit_text
            )
            typer.echo(form(lines))
            return
        from monitor.service.lifecycle_groups import grouped  # noqa: PLC0415

        store.lapse(now)
        found = store.events(site, open_only=not everything, limit=limit)
        waiting = store.events(site, open_only=True, limit=_ALL)
        write = event_text.as_json if as_json else event_text.as_text
        typer.echo(write(found, store.outs(site), grouped(waiting, now), now))
    hidden = len({event.number for event in waiting} - {event.number for event in found})
    if hidden:
        typer.echo(f"{hidden} more wait for a person and are not listed: raise --limit", err=True)


def _nothing_before(context: typer.Context) -> None:
    """Refuse options between ``events`` and the command behind it: they would not count."""
    given = [name for name in context.params if _typed(context, name)]
    if given:
        raise InputError(
            f"options stand behind the command: cushionwatch events {context.invoked_subcommand} ... --config FILE"
        )


def _typed(context: typer.Context, name: str) -> bool:
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"


def add_to(app: typer.Typer) -> None:
    """Register the command and those behind it."""
    event_acts.add_to(events_app)
    app.add_typer(events_app, name="events")
