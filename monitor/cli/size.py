"""``cushionwatch size``: the expansion tank that a heating system needs, each step with its source."""

from __future__ import annotations

import inspect
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from monitor.cli.paths import spare
from monitor.cli.size_options import Options
from monitor.errors import InputError, OutOfRangeError
from monitor.service.clock import SystemClock

if TYPE_CHECKING:
    from monitor.cli.size_case import Question
    from monitor.sizing.result import Sizing


def size(**options: Any) -> None:
    """Size the expansion tank of a water heater or heating loop, and say how to charge, fill and hang it.

    Quantities have a unit, pressures are gauge. What is not given is taken from a site file, or assumed and
    told. The exit code is 0 when a tank was sized, whatever the cautions, and 2 if the input is wrong.

    Example: `cushionwatch size --use domestic --volume "40 gal" --hot "140 degF" --supply "60 psi"
    --relief "150 psi"`
    """
    given = Options(**options)
    spare((given.site,), (given.html,))
    asked, found = _sized(given)
    if given.html is not None:
        _write(given.html, asked, found)
    if given.as_json:
        from monitor.web.sizing import machine  # noqa: PLC0415 - loads slowly

        typer.echo(json.dumps(machine.sizing(found, asked.shown, asked.notes), allow_nan=False))
        return
    from monitor.cli.sizing_text import text  # noqa: PLC0415

    typer.echo(text(found, asked.shown, asked.notes, place=asked.place, explain=given.explain))


def _sized(given: Options) -> tuple[Question, Sizing]:
    from monitor.cli.size_case import question  # noqa: PLC0415 - numpy and pydantic load slowly
    from monitor.cli.size_words import with_options  # noqa: PLC0415
    from monitor.service.settings import load_site  # noqa: PLC0415
    from monitor.sizing.size import size as work_out  # noqa: PLC0415

    asked = question(given, None if given.site is None else load_site(given.site))
    try:
        return asked, work_out(asked.case)
    except (InputError, OutOfRangeError) as error:
        raise InputError(with_options(str(error))) from error


def _write(path: Path, asked: Question, found: Sizing) -> None:
    from monitor.web import words  # noqa: PLC0415 - loads slowly
    from monitor.web.sizing.page import page  # noqa: PLC0415

    dated = words.date(SystemClock().now(), asked.timezone)
    text = page(found, asked.shown, asked.notes, place=asked.place, dated=dated)
    try:
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError(f"{path} cannot be written: {getattr(error, 'strerror', None) or error}") from error
    sys.stderr.write(f"written: {path}\n")


# Typer reads a command's options from its signature: here they are the fields of a dataclass.
size.__signature__ = inspect.signature(Options, eval_str=True)  # type: ignore[attr-defined]


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(size)
