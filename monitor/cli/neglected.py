"""``cushionwatch neglected``: what the methods and the gauge leave out, and how large that is."""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Annotated

import typer

from monitor.errors import InputError


class Case(StrEnum):
    """Which typical system."""

    HOME = "home"
    PLANT_ROOM = "plant-room"
    LOOP = "loop"


def neglected(
    case: Annotated[
        Case | None, typer.Option(help="One typical system instead of all three.", show_default=False)
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write one JSON object and nothing else.")] = False,
    as_markdown: Annotated[
        bool, typer.Option("--markdown", help="Write the tables as DEVELOPERS.md has them.")
    ] = False,
) -> None:
    """Tell what the methods of sizing and the gauge neglect, and how large that is on typical systems.

    Each effect is worked out by the physics that the program uses: how far it moves the growth of the water,
    the worst-case peak, the air charge told from one heating window of ten minutes, and the same after a
    gauge reading at a visit. Nothing is measured and nothing is read.

    Example: `cushionwatch neglected --case home`
    """
    from monitor.cli.error_table import as_data, markdown, text  # noqa: PLC0415 - physics loads slowly
    from monitor.sizing.neglected import table  # noqa: PLC0415
    from monitor.sizing.typical import SYSTEMS  # noqa: PLC0415

    if as_json and as_markdown:
        raise InputError("--json and --markdown exclude each other: give one of them")
    tables = [table(system) for name, system in SYSTEMS.items() if case is None or name == case]
    if as_json:
        typer.echo(json.dumps(as_data(tables), allow_nan=False))
    else:
        typer.echo("\n\n".join(map(markdown if as_markdown else text, tables)))


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(neglected)
