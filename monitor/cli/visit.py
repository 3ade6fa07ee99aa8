"""``cushionwatch visit``: log what was done at a tank."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Final

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError
from monitor.site import Site, Visit, VisitAction
from monitor.units import KPA

_HINT: Final = "; pressures are gauge: is the unit right (psi, bar, kPa, MPa)?"


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

    A pressure without a unit is in the unit of the site. None can be above its relief setting, or above 10 bar.

    Example: `cushionwatch visit riverside-12 --action refilled --precharge "60 psi"
    --supply "60 psi" --no-water-at-valve`
    """
    from monitor.app import open_store  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415

    settings = load(config)
    if site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")
    facts, now = settings.sites[site], SystemClock().now()
    if precharge is None:
        raise InputError(
            f"--precharge is needed for {action.value}: the air charge as the visit left it, read on a gauge with the "
            "water side relieved; 0 if the tank held none"
        )
    logged = Visit(
        time=now if at is None else _moment(at, now),
        action=action,
        precharge=_pressure("--precharge", precharge, facts),
        supply=None if supply is None else _pressure("--supply", supply, facts),
        water_at_valve=water_at_valve,
    )
    with open_store(settings) as store:
        store.add_visit(site, logged)
    typer.echo("\n".join(_told(facts, logged)))


def _pressure(name: str, text: str, site: Site) -> float:
    """Return a gauge pressure [Pa] that can have been read at this site's tank."""
    from monitor.service.settings.quantities import quantity  # noqa: PLC0415 - pydantic loads slowly
    from monitor.web.words import pressure  # noqa: PLC0415

    bare = text.strip().replace(".", "", 1).isdigit()
    try:
        value = quantity("pressure", "0 bar", "10 bar", _HINT)(f"{text} {site.unit}" if bare else text)
    except ValueError as error:
        raise InputError(f"{name} {text!r}: {error}") from error
    if site.relief is not None and value > site.relief:
        setting = pressure(site.relief / KPA, site.unit)
        raise InputError(
            f"{name} {text!r}: above the relief setting of this site, {setting}, at which the relief valve opens; "
            "check the number, its unit, and the setting in the site file"
        )
    return value


def _told(site: Site, logged: Visit) -> Iterator[str]:
    """Yield what was logged, as it was understood."""
    from monitor.web.words import moment, pressure  # noqa: PLC0415 - loads slowly

    yield f"Logged for {site.name or site.id} ({site.id}):"
    yield f"  Action      {logged.action.value}"
    for what, value in (("Air charge", logged.precharge), ("Supply", logged.supply)):
        if value is not None:
            yield f"  {what:<10}  {pressure(value / KPA, site.unit)}"
    if logged.water_at_valve is not None:
        yield f"  Air valve   {'water' if logged.water_at_valve else 'no water'} came from it"
    yield f"  Time        {moment(logged.time, site.timezone)}"
    yield "The running service takes it into account within seconds; one that is not running, at its start."


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
