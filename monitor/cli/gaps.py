"""``cushionwatch gaps``: what devices that number their messages sent and what did not come."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.service.ports import Gap, SetBack

_ALL: Final = 1_000_000


def gaps(
    site: Annotated[
        str | None,
        typer.Argument(help="Identifier of a site: only devices that speak for it.", show_default=False),
    ] = None,
    config: Config = DEFAULT,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many of the newest to list.")] = 100,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON object, with times in UTC.")
    ] = False,
) -> None:
    """List messages that devices numbered and that did not come, and when a device's clock was set back.

    The service may run. A gap is open while its numbers are waited for, filled once they have come, and lost after a
    week. It ends with 1 while something is waited for, else with 0.

    Example: `cushionwatch gaps riverside-12`
    """
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store

    settings = load(config)
    if site is not None and site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")
    with existing_store(settings) as store:
        missing, steps = store.gaps(site, limit=_ALL), store.set_backs(site, limit=_ALL)
        retold = store.numbering_counts().retold if site is None else store.retold_count(site)
    waited = any(gap.state == "open" for gap in missing)
    typer.echo(
        _as_json(missing, steps, retold, limit) if as_json else _as_text(missing, steps, retold, limit)
    )
    if waited:
        raise typer.Exit(1)


def _as_text(gaps: Sequence[Gap], steps: Sequence[SetBack], retold: int, limit: int) -> str:
    lines = [*_gap_lines(gaps[:limit]), *_step_lines(steps[:limit])]
    shown = len(gaps[:limit]) + len(steps[:limit])
    counts = _counts(gaps, steps, retold)
    lines.append(
        f"{counts['missing']} missing in {counts['open_gaps']} open gaps, {counts['lost']} lost; "
        f"clocks were set back {counts['set_backs']} times, {retold} readings told twice"
        + ("" if shown == len(gaps) + len(steps) else "; only the newest are above")
    )
    return "\n".join(lines)


def _gap_lines(gaps: Sequence[Gap]) -> list[str]:
    rows = [
        (
            gap.state.value, gap.device, gap.boot, str(gap.first), str(gap.last), str(gap.count),
            _time(gap.noticed), _time(gap.settled),
        )
        for gap in gaps
    ]  # fmt: skip
    return _table(("state", "device", "boot", "first", "last", "count", "noticed", "filled or lost"), rows)


def _step_lines(steps: Sequence[SetBack]) -> list[str]:
    rows = [
        (
            step.device,
            step.boot,
            str(step.sequence),
            _time(step.before),
            _time(step.after),
            _time(step.noticed),
        )
        for step in steps
    ]
    return _table(("clock of", "boot", "set back at", "from", "to", "noticed"), rows)


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    if not rows:
        return []
    widths = [max(len(row[place]) for row in (head, *rows)) for place in range(len(head))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (head, *rows)
    ] + [""]


def _as_json(gaps: Sequence[Gap], steps: Sequence[SetBack], retold: int, limit: int) -> str:
    found: dict[str, Any] = {
        "gaps": [
            {
                "device": gap.device,
                "boot": gap.boot,
                "first": gap.first,
                "last": gap.last,
                "count": gap.count,
                "state": gap.state.value,
                "noticed": _time(gap.noticed),
                "settled": _time(gap.settled) or None,
            }
            for gap in gaps[:limit]
        ],
        "set_backs": [
            {
                "device": step.device,
                "boot": step.boot,
                "sequence": step.sequence,
                "from": _time(step.before),
                "to": _time(step.after),
                "noticed": _time(step.noticed),
            }
            for step in steps[:limit]
        ],
        "counts": _counts(gaps, steps, retold),
    }
    return json.dumps(found, indent=2)


def _counts(gaps: Sequence[Gap], steps: Sequence[SetBack], retold: int) -> dict[str, int]:
    waited = [gap for gap in gaps if gap.state == "open"]
    return {
        "open_gaps": len(waited),
        "missing": sum(gap.count for gap in waited),
        "lost": sum(gap.count for gap in gaps if gap.state == "lost"),
        "set_backs": len(steps),
        "retold": retold,
    }


def _time(time: float | None) -> str:
    from monitor.web.machine import rfc3339  # noqa: PLC0415 - loads the core

    return rfc3339(time) or ""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(gaps)
