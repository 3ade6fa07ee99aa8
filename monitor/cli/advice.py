"""``cushionwatch advice``: what to do about a tank, as a table."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.diagnosis.advice import Row


def advice(
    site: Annotated[
        str | None, typer.Argument(help="Identifier of a site: what to do there now.", show_default=False)
    ] = None,
    config: Config = DEFAULT,
    table: Annotated[bool, typer.Option("--table", help="Show the whole decision table.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Write JSON and nothing else.")] = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Write the table in Markdown.")] = False,
) -> None:
    """Say what to do about a tank, from its fault, what the last visits told, and whether the charge held.

    Without a site it is the decision table that says it: each situation falls under one row.

    Example: `cushionwatch advice riverside-12`

    Example: `cushionwatch advice --table --markdown`
    """
    from monitor.diagnosis.advice_table import TABLE  # noqa: PLC0415 - numpy loads slowly

    if table == (site is not None):
        raise InputError("name a site, or ask for the table with --table")
    if as_json and markdown:
        raise InputError("--json and --markdown do not go together")
    if site is not None:
        if markdown:
            raise InputError("--markdown is for the table: add --table, and leave the site out")
        _at_site(site, config, as_json=as_json)
    elif as_json:
        typer.echo(json.dumps([_machine(row) for row in TABLE], allow_nan=False))
    else:
        typer.echo("\n".join(_markdown(TABLE) if markdown else _text(TABLE)))


def _at_site(site: str, config: Config, *, as_json: bool) -> None:
    from monitor.cli.stored_report import stored_report  # noqa: PLC0415 - loads the store
    from monitor.diagnosis.advice_table import advise  # noqa: PLC0415
    from monitor.diagnosis.situation import situation  # noqa: PLC0415
    from monitor.web.visits import machine  # noqa: PLC0415
    from monitor.web.visits.words import ADVICE  # noqa: PLC0415

    known = stored_report(load(config), site)
    here = situation(known.site, known.visits, known.report, known.now, known.length)
    row = advise(here)
    if as_json:
        told = {
            "site": site,
            **machine.advice(row),
            "situation": {name: getattr(here, name) for name in COLUMNS},
        }
        typer.echo(json.dumps(told, allow_nan=False))
        return
    typer.echo(f"{known.site.name or site} ({site}): {ADVICE[row.advice]}")
    for name, text in (("Do", row.do), ("Why", row.why)):
        typer.echo(_wrapped(name, text))
    seen = ", ".join(
        f"{HEADS[name].lower()} {getattr(here, name).value.replace('_', ' ')}" for name in COLUMNS
    )
    typer.echo(_wrapped("From", seen))


COLUMNS = ("fault", "water", "charge", "watch", "leak", "age")
"""What decides, in the order of the table."""

HEADS = {
    "fault": "Fault",
    "water": "Water at the air valve",
    "charge": "Charge left, beside the line",
    "watch": "Watch",
    "leak": "Leak seen",
    "age": "Last visit",
}
"""What each column is called."""


def _cells(row: Row) -> list[str]:
    """Return the conditions of a row in words; empty where anything goes."""
    from monitor.diagnosis import advice as kinds  # noqa: PLC0415

    whole = {
        "fault": frozenset(kinds.FAULTS), "water": frozenset(kinds.Look), "charge": frozenset(kinds.Charge),
        "watch": frozenset(kinds.Watch), "leak": frozenset(kinds.Look), "age": frozenset(kinds.Age),
    }  # fmt: skip
    return [_condition(getattr(row, name), whole[name]) for name in COLUMNS]


def _condition(given: frozenset[str], whole: frozenset[str]) -> str:
    if given == whole:
        return ""
    left_out = sorted(str(one).replace("_", " ") for one in whole - given)
    if len(left_out) == 1 and len(given) > 4:
        return f"not {', not '.join(left_out)}"
    return ", ".join(sorted(str(one).replace("_", " ") for one in given))


def _text(table: Sequence[Row]) -> Iterator[str]:
    from monitor.web.visits.words import ADVICE  # noqa: PLC0415

    for number, row in enumerate(table, 1):
        yield f"{number}. {ADVICE[row.advice]}"
        for head, cell in zip(HEADS.values(), _cells(row), strict=True):
            if cell:
                yield _wrapped("If", f"{head}: {cell}")
        yield _wrapped("Do", row.do)
        yield _wrapped("Why", row.why)


def _markdown(table: Sequence[Row]) -> Iterator[str]:
    from monitor.web.visits.words import ADVICE  # noqa: PLC0415

    yield f"| {' | '.join(HEADS.values())} | Advice | Why |"
    yield f"|{' --- |' * (len(HEADS) + 2)}"
    for row in table:
        yield f"| {' | '.join(_cells(row))} | {ADVICE[row.advice]} | {row.why} |"


def _machine(row: Row) -> dict[str, object]:
    return {
        "advice": row.advice.value,
        "do": row.do,
        "why": row.why,
        "if": {name: sorted(str(one) for one in getattr(row, name)) for name in COLUMNS},
    }


def _wrapped(name: str, text: str) -> str:
    from textwrap import fill  # noqa: PLC0415

    return fill(
        text, 88, initial_indent=f"    {name:<5} ", subsequent_indent=" " * 10, break_long_words=False
    )


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(advice)
