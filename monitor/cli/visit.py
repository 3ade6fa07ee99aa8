"""``cushionwatch visit``: log what was done at a tank."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError
from monitor.site import VisitAction


def visit(
    site: Annotated[str, typer.Argument(help="Identifier of the site.", show_default=False)],
    action: Annotated[VisitAction, typer.Option(help="What was done.", show_default=False)],
    config: Config = DEFAULT,
    precharge: Annotated[
        str | None,
        typer.Option(metavar='"60 psi"', help="Air charge as the visit left it, water side relieved."),
    ] = None,
    supply: Annotated[
        str | None, typer.Option(metavar='"60 psi"', help="Supply pressure gauged at the tank.")
    ] = None,
    water_at_valve: Annotated[
        bool | None,
        typer.Option("--water-at-valve/--no-water-at-valve", help="Did water come from the air valve?"),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="When, RFC 3339 with its offset; now if left out."),
    ] = None,
) -> None:
    """Log a service visit; the running service takes it into account within seconds.

    A pressure without a unit is in the unit of the site.

    Example: `cushionwatch visit riverside-12 -c config/cushionwatch.toml --action refilled
    --precharge "60 psi" --supply "60 psi" --no-water-at-valve`
    """
    from monitor.app import open_store  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415
    from monitor.site import Visit  # noqa: PLC0415

    settings = load(config)
    if site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")
    unit, now = settings.sites[site].unit, SystemClock().now()
    logged = Visit(
        time=now if at is None else _moment(at, now),
        action=action,
        precharge=_pressure("--precharge", precharge, unit),
        supply=_pressure("--supply", supply, unit),
        water_at_valve=water_at_valve,
    )
    if action is not VisitAction.GAUGED and logged.precharge is None:
        raise InputError(f"--precharge is needed for {action.value}: the air charge as the visit left it")
    with open_store(settings) as store:
        store.add_visit(site, logged)
    typer.echo(f"Logged: {action.value} at {settings.sites[site].name or site}.")


def _pressure(name: str, text: str | None, unit: str) -> float | None:
    """Return a gauge pressure [Pa] within the bounds of a site file."""
    from pydantic import TypeAdapter, ValidationError  # noqa: PLC0415 - loads slowly

    from monitor.service.settings.quantities import ChargePressure  # noqa: PLC0415

    if text is None:
        return None
    bare = text.strip().replace(".", "", 1).isdigit()
    try:
        return TypeAdapter(ChargePressure).validate_python(f"{text} {unit}" if bare else text)
    except ValidationError as error:
        raise InputError(f"{name} {text!r}: {error.errors()[0]['msg']}") from error


def _moment(text: str, now: float) -> float:
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"--at {text!r} is no time; write it like 2026-03-01T14:30:00+01:00") from error
    if when.tzinfo is None:
        raise InputError(f"--at {text!r} has no offset; write it like {text}+00:00 or {text}Z")
    if not 0 <= when.timestamp() <= now + 300:
        raise InputError(f"--at {text!r} is not a time between 1970 and now")
    return when.timestamp()


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(visit)
