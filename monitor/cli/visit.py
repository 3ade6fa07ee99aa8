"""``cushionwatch visit``: log what was done at a tank, or show how to do it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError
from monitor.site import Site, Visit, VisitAction

if TYPE_CHECKING:
    from monitor.service.photos import Photo
    from monitor.service.settings import ServiceSettings


def visit(
    site: Annotated[str, typer.Argument(help="Identifier of the site.", show_default=False)],
    action: Annotated[
        VisitAction | None,
        typer.Option(help="What was done; `looked` where nothing was gauged.", show_default=False),
    ] = None,
    config: Config = DEFAULT,
    found: Annotated[
        str | None,
        typer.Option(metavar='"45 psi"', help="Air charge before anything was done, water side relieved."),
    ] = None,
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
    leak: Annotated[
        str | None, typer.Option(metavar="WHERE", help="A leak was seen there; `no` where none was.")
    ] = None,
    tank_volume: Annotated[
        str | None, typer.Option(metavar='"8 L"', help="Whole volume of the tank that was put in.")
    ] = None,
    who: Annotated[str | None, typer.Option(metavar="NAME", help="Who was there.")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="What else was seen or done.")] = None,
    photo: Annotated[
        list[Path] | None,
        typer.Option(metavar="FILE", help="A photo, JPEG or PNG of up to 5 MB; up to four."),
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="TIME", help="When, RFC 3339 with its offset; now if left out."),
    ] = None,
    guide: Annotated[
        bool, typer.Option("--guide", help="Show the steps of a visit, and log nothing.")
    ] = False,
) -> None:
    """Log a service visit; the running service takes it into account within seconds.

    Leave out what nobody looked at. A pressure without a unit is in the unit of the site. None that was left can be
    above its relief setting, and none above 10 bar. From then on it is watched for a week whether the charge holds:
    see `cushionwatch proof`.

    Example: `cushionwatch visit riverside-12 --action refilled --found "45 psi" --precharge "60 psi"
    --supply "60 psi" --no-water-at-valve --leak no --who "A. Fitter"`

    Example: `cushionwatch visit riverside-12 --guide`
    """
    settings = load(config)
    facts = known_site(settings, site)
    if guide:
        typer.echo("\n".join(_guide(facts)))
        return
    told = {
        "time": at, "action": None if action is None else action.value, "found": found, "precharge": precharge,
        "supply": supply, "water_at_valve": None if water_at_valve is None else ("yes" if water_at_valve else "no"),
        "leak": leak, "tank_volume": tank_volume, "who": who, "note": note,
    }  # fmt: skip
    _log(settings, facts, {name: text for name, text in told.items() if text is not None}, photo or [])


def known_site(settings: ServiceSettings, site: str) -> Site:
    """Return a site of the settings; `InputError` that names the known ones if it is none."""
    if site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")
    return settings.sites[site]


def _log(settings: ServiceSettings, facts: Site, told: Mapping[str, str], files: Sequence[Path]) -> None:
    from monitor.app import open_store  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415
    from monitor.service.visits import VisitError, visit_of  # noqa: PLC0415

    if "action" not in told:
        raise InputError(f"--action is needed: {', '.join(VisitAction)}; or --guide to see the steps")
    photos = _photos(files)
    try:
        logged = visit_of(facts, told, SystemClock().now(), photos=len(photos))
    except VisitError as error:
        raise error.named(_option) from None
    with open_store(settings) as store:
        if not store.add_visit(facts.id, logged, photos) and logged not in store.visits(facts.id):
            raise InputError(
                f"a visit with the action {logged.action.value} is logged for this moment already and stays as it was; "
                "give another time with --at if this is another visit"
            )
    typer.echo("\n".join(_told(facts, logged, len(photos))))


def _option(field: str) -> str:
    return {"": "", "time": "--at"}.get(field, f"--{field.replace('_', '-')}")


def _photos(files: Sequence[Path]) -> list[Photo]:
    from monitor.service.photos import MOST_BYTES, MOST_PHOTOS, photo_of  # noqa: PLC0415

    if len(files) > MOST_PHOTOS:
        raise InputError(f"{len(files)} photos; a visit can have {MOST_PHOTOS}")
    photos = []
    for path in files:
        try:
            with path.open("rb") as file:
                photos.append(photo_of(file.read(MOST_BYTES + 1), str(path)))
        except OSError as error:
            raise InputError(f"--photo {path} cannot be read: {error.strerror}") from error
    return photos


def _told(site: Site, logged: Visit, photos: int) -> Iterator[str]:
    """Yield what was logged, as it was understood, and what follows from it at once."""
    from monitor.web.visits.words import facts, follows  # noqa: PLC0415 - loads slowly

    yield f"Logged for {site.name or site.id} ({site.id}):"
    for name, value in facts(site, logged, photos):
        yield f"  {name:<10}  {value}"
    yield from follows(site, logged)
    yield "The running service takes it into account within seconds; one that is not running, at its start."


def _guide(site: Site) -> Iterator[str]:
    """Yield the steps of a visit."""
    from textwrap import wrap  # noqa: PLC0415

    from monitor.diagnosis.visit_guide import BEFORE, steps  # noqa: PLC0415
    from monitor.web.visits.words import aim  # noqa: PLC0415

    yield f"A visit to the tank of {site.name or site.id} ({site.id})"
    for text in BEFORE:
        yield from wrap(text, 88, initial_indent="  ! ", subsequent_indent="    ")
    for number, step in enumerate(steps(site, aim(site)), 1):
        yield from wrap(
            f"{step.name}. {step.do}", 88, initial_indent=f"{number:>3} ", subsequent_indent="    "
        )
        if step.mind:
            yield from wrap(step.mind, 88, initial_indent="      ! ", subsequent_indent="        ")
    yield f"Then: cushionwatch visit {site.id} --action refilled --found ... --precharge ... --supply ..."


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(visit)
