"""``cushionwatch commission``: whether a new site is set up so that its cushion can be watched."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.diagnosis.commissioning.check import Commissioning
    from monitor.service.settings import ServiceSettings
    from monitor.site import Site

_REFUSED = 200  # newest refusals that are looked through for those of one site


def commission(
    site: Annotated[
        str | None, typer.Argument(help="Identifier of the site, of the service file.", show_default=False)
    ] = None,
    config: Config = DEFAULT,
    latest: Annotated[
        bool, typer.Option("--latest", help="Look at the newest 72 h instead of the first.")
    ] = False,
    readings: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Read a log (as `examine` does), not the store.")
    ] = None,
    site_file: Annotated[
        Path | None, typer.Option("--site", metavar="SITE.toml", help="Site file of that log.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write one JSON object and nothing else.")] = False,
) -> None:
    """Tell whether a new site is set up so that its cushion can be watched, and what to change.

    Looks at the first 72 h of readings: sampling, units, heater state, clocks, place of the sensor, site data, and how
    accurately the air charge will be known. A day of readings is needed. The exit code is 0 if all fits, 1 if there
    is something to change or to wait for, and 2 if the input is wrong.

    Example: `cushionwatch commission riverside-12 --latest`

    Example without a service: `cushionwatch commission --readings log.csv --site riverside-12.toml`
    """
    if readings is not None or site_file is not None:
        facts, found = _from_log(site, readings, site_file, latest=latest)
    else:
        facts, found = _from_store(site, config, latest=latest)
    if as_json:
        from monitor.web import machine_commissioning  # noqa: PLC0415 - only where it is asked for

        typer.echo(json.dumps(machine_commissioning.commissioning(found), allow_nan=False))
    else:
        from monitor.cli.commission_text import text  # noqa: PLC0415

        typer.echo(text(facts, found))
    raise typer.Exit(0 if found.fits else 1)


def _from_log(
    site: str | None, readings: Path | None, site_file: Path | None, *, latest: bool
) -> tuple[Site, Commissioning]:
    if readings is None or site_file is None:
        missing = "--readings LOG" if readings is None else "--site SITE.toml"
        raise InputError(f"{missing} is missing: a log and its site file go together")
    from monitor.ingest.logfile import read_log  # noqa: PLC0415 - numpy and Arrow load slowly
    from monitor.service.commissioning import commission as judge  # noqa: PLC0415
    from monitor.service.commissioning import piece  # noqa: PLC0415
    from monitor.service.pipeline import hold  # noqa: PLC0415
    from monitor.service.settings import load_site  # noqa: PLC0415

    facts = load_site(site_file)
    if site is not None and site != facts.id:
        raise InputError(
            f"{site_file} describes site {facts.id!r}, not {site!r}; leave SITE out with --readings"
        )
    log = read_log(readings, facts.unit)
    for note in log.notes:
        sys.stderr.write(f"{readings}: {note}\n")
    return facts, judge(facts, piece(hold(log.samples), latest=latest))


def _from_store(site: str | None, config: Path, *, latest: bool) -> tuple[Site, Commissioning]:
    from monitor.app import STORE, open_store  # noqa: PLC0415 - loads the store
    from monitor.service.commissioning import commission as judge  # noqa: PLC0415
    from monitor.service.commissioning import stored_rows  # noqa: PLC0415

    settings = load(config)
    facts = _known(site, settings)
    if not (settings.data / STORE).exists():
        from monitor.estimation.samples import empty  # noqa: PLC0415

        return facts, judge(facts, empty())
    with open_store(settings) as store:
        rows = stored_rows(store, facts.id, latest=latest)
        refused = [one.reason for one in store.rejected(_REFUSED) if facts.id in one.topic.split("/")]
        return facts, judge(facts, rows, store.visits(facts.id), refused)


def _known(site: str | None, settings: ServiceSettings) -> Site:
    known: Sequence[str] = list(settings.sites)
    if site is None:
        if len(known) == 1:
            return settings.sites[known[0]]
        raise InputError(f"which site? Name one of {', '.join(known)}")
    if site not in settings.sites:
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {', '.join(known)}")
    return settings.sites[site]


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(commission)
