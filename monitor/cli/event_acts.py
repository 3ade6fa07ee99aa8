"""What people do about events on the command line: acknowledge, shelve, and take sites out of service."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError
from monitor.readings import Point

if TYPE_CHECKING:
    from monitor.service.ports import Event
    from monitor.service.settings import ServiceSettings
    from monitor.store.sqlite import SqliteStore

Number = Annotated[int, typer.Argument(min=1, help="Number of the event.", show_default=False)]
SiteName = Annotated[str, typer.Argument(help="Identifier of the site.", show_default=False)]
Who = Annotated[str, typer.Option(metavar="NAME", help="Who does it.", show_default=False)]
Why = Annotated[str, typer.Option(metavar="TEXT", help="Why; kept with it.", show_default=False)]
Part = Annotated[Point | None, typer.Option(help="Only this point, not the whole site.", show_default=False)]
UrgentToo = Annotated[
    bool,
    typer.Option(
        "--urgent-too",
        help="Be quiet of a relief valve that discharges too, for 8 h at most: somebody is there.",
    ),
]


def acknowledge(number: Number, who: Who, config: Config = DEFAULT) -> None:
    """Note that a person has seen an event and takes it.

    Example: `cushionwatch events acknowledge 12 --who "Ada B."`
    """
    with opened(load(config)) as (store, now):
        _told(store.acknowledge_event(number, _name(who), now), number)


def shelve(
    number: Number,
    who: Who,
    why: Why,
    config: Config = DEFAULT,
    until: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="Until when, RFC 3339 with its offset.", show_default=False),
    ] = None,
    length: Annotated[
        str | None, typer.Option("--for", metavar='"3 days"', help="For how long.", show_default=False)
    ] = None,
    urgent_too: UrgentToo = False,
) -> None:
    """Tell nobody of an event for a while; it stays listed, and is told again by itself.

    A high priority can be shelved for a day at a time, a medium one for 7 days, a low one for 30. What is urgent needs
    `--urgent-too`, and 8 h are the most; an event that becomes urgent later is told at once.

    Example: `cushionwatch events shelve 12 --for "3 days" --who "Ada B." --why "the new tank comes on Friday"`
    """
    from monitor.service.lifecycle_records import Shelf  # noqa: PLC0415 - loads the core

    with opened(load(config)) as (store, now):
        end = _end(until, length, now)
        shelf = Shelf(now, end, _name(who), _reason(why), urgent_too)
        _told(store.shelve_event(number, shelf), number)


def unshelve(number: Number, who: Who, why: Why, config: Config = DEFAULT) -> None:
    """Tell people of a shelved event again.

    Example: `cushionwatch events unshelve 12 --who "Ada B." --why "the tank is there"`
    """
    with opened(load(config)) as (store, now):
        _told(store.unshelve_event(number, _name(who), now, _reason(why)), number)


def out(
    site: SiteName,
    who: Who,
    why: Why,
    config: Config = DEFAULT,
    point: Part = None,
    urgent_too: UrgentToo = False,
) -> None:
    """Take a site, or one point of it, out of service while it is worked on: its events are listed and not told.

    That holds until it is put back. A relief valve that discharges is told all the same, unless `--urgent-too` says
    that somebody is there, which holds for 8 h.

    Example: `cushionwatch events out riverside-12 --who "Ada B." --why "tank is being replaced"`
    """
    from monitor.diagnosis.timings import URGENT_SHELF  # noqa: PLC0415 - loads the core
    from monitor.service.lifecycle_records import OutOfService  # noqa: PLC0415

    settings = load(config)
    require(settings, site)
    with opened(settings) as (store, now):
        quiet = now + URGENT_SHELF if urgent_too else None
        store.take_out(OutOfService(0, site, point, now, _name(who), _reason(why), quiet))
    part = f" --point {point.value}" if point else ""
    typer.echo(
        f"{_place(site, point)} is out of service until you put it back: cushionwatch events back {site}{part}"
    )


def back(site: SiteName, who: Who, why: Why, config: Config = DEFAULT, point: Part = None) -> None:
    """Put a site, or one point of it, back in service: what still stands is told.

    Example: `cushionwatch events back riverside-12 --who "Ada B." --why "tank replaced"`
    """
    with opened(load(config)) as (store, now):
        store.put_back(site, point, _name(who), now, _reason(why))
    typer.echo(f"{_place(site, point)} is back in service")


@contextmanager
def opened(settings: ServiceSettings) -> Iterator[tuple[SqliteStore, float]]:
    """Open the store of a service for a ``with`` block; the time of day beside it."""
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415

    with existing_store(settings) as store:
        yield store, SystemClock().now()


def require(settings: ServiceSettings, site: str) -> None:
    """Raise `InputError` for a site that the settings do not have."""
    if site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")


def _told(event: Event | None, number: int) -> None:
    """Say what an act has made of an event."""
    if event is None:
        raise InputError(
            f"there is no event {number}; `cushionwatch events --all` lists those that there are"
        )
    from monitor.diagnosis.rationale import rationale_of  # noqa: PLC0415 - loads the core
    from monitor.service.lifecycle_words import quiet  # noqa: PLC0415
    from monitor.web.machine import rfc3339  # noqa: PLC0415

    words = quiet(event, lambda time: rfc3339(time) or "") if event.state.active else ""
    headline = rationale_of(event.finding).headline
    typer.echo(f"event {event.number}, {event.site}: {headline}: {event.state.value}. {words}".rstrip())


def _end(until: str | None, length: str | None, now: float) -> float:
    if (until is None) == (length is None):
        raise InputError('say how long: either --for "3 days" or --until 2026-03-01T14:30:00+01:00')
    if length is not None:
        from monitor.service import lifecycle_words  # noqa: PLC0415 - loads the core

        return now + lifecycle_words.length(length)
    try:
        when = datetime.fromisoformat(str(until))
    except ValueError as error:
        raise InputError(f"--until {until!r} is no time; write it like 2026-03-01T14:30:00+01:00") from error
    if when.tzinfo is None:
        raise InputError(f"--until {until!r} has no offset; write it like {until}+00:00 or {until}Z")
    return when.timestamp()


def _name(text: str) -> str:
    from monitor.service.lifecycle_words import LONGEST_NAME, said  # noqa: PLC0415 - loads the core

    return said(text, "--who", LONGEST_NAME)


def _reason(text: str) -> str:
    from monitor.service.lifecycle_words import LONGEST_WHY, said  # noqa: PLC0415 - loads the core

    return said(text, "--why", LONGEST_WHY)


def _place(site: str, point: Point | None) -> str:
    return site if point is None else f"{point.value} of {site}"


def add_to(app: typer.Typer) -> None:
    """Register the commands behind ``cushionwatch events``."""
    for command in (acknowledge, shelve, unshelve, out, back):
        app.command(epilog=EPILOG)(command)
