"""``cushionwatch examine``: the same analysis as the live service, on a log."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.paths import spare
from monitor.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.diagnosis.report import Report
    from monitor.estimation.samples import Samples
    from monitor.site import Site, Visit

_PLOTS = (".png", ".svg")


def examine(
    readings: Annotated[
        Path, typer.Argument(metavar="READINGS", help="Log: .csv, .csv.gz or .parquet.", show_default=False)
    ],
    site: Annotated[Path, typer.Option(metavar="SITE.toml", help="Site file.", show_default=False)],
    visits: Annotated[
        Path | None, typer.Option(metavar="VISITS.csv", help="Visit book: time, precharge, supply, action.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write one JSON object and nothing else.")] = False,
    plot: Annotated[
        Path | None, typer.Option(metavar="OUT.png", help="Draw the air charge to a .png or .svg file.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(metavar="OUT.html", help="Write a report: one file, no network needed.")
    ] = None,
) -> None:
    """Examine a log of readings as the live service would have, never looking ahead.

    READINGS has the columns `time` (RFC 3339 or epoch seconds), `pressure` (gauge, in the unit of the site
    file), `heater` (0/1 or watts) and, if there is one, `temperature` (degC). The exit code is 0 if nothing
    was found, 1 if there are findings and 2 if the input is wrong.

    Example: `cushionwatch examine march.csv.gz --site riverside-12.toml --report march.html`
    """
    from monitor.ingest.logfile import read_log, read_visits  # noqa: PLC0415 - numpy and Arrow load slowly
    from monitor.service.pipeline import examine as analyse  # noqa: PLC0415
    from monitor.service.settings import load_site  # noqa: PLC0415

    if plot is not None and plot.suffix.lower() not in _PLOTS:
        raise InputError(f"{plot}: a plot can be written as {' or '.join(_PLOTS)}, not as {plot.suffix!r}")
    spare((readings, site, visits), (plot, report))
    facts = load_site(site)
    book = read_visits(visits, facts.unit) if visits else []
    log = read_log(readings, facts.unit)
    for note in log.notes:
        _tell(f"{readings}: {note}")
    _tell_late(visits, book, float(log.samples.time[-1]))
    total = len(log.samples)
    found = analyse(facts, log.samples, book, lambda done: _progress(done, total), log.end)
    _write_files(facts, found, log.samples, book, plot, report)
    if as_json:
        from monitor.web import machine  # noqa: PLC0415

        typer.echo(json.dumps(machine.report(found), allow_nan=False))
    else:
        from monitor.cli.prose import prose  # noqa: PLC0415

        typer.echo(prose(facts, found))
    raise typer.Exit(1 if found.findings else 0)


def _tell_late(path: Path | None, book: Sequence[Visit], end: float) -> None:
    late = [visit.time for visit in book if visit.time > end]
    if late:
        first = datetime.fromtimestamp(min(late), UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        count = f"{len(late)} of {len(book)} visits"
        _tell(f"{path}: {count} after the end of the log, from {first} on, tell nothing about it")


def _write_files(
    site: Site, found: Report, log: Samples, visits: Sequence[Visit], plot: Path | None, report: Path | None
) -> None:
    from monitor.cli import files  # noqa: PLC0415

    for path, write in ((plot, files.write_plot), (report, files.write_report)):
        if path is None:
            continue
        try:
            write(path, site, found, log, visits)
        except OSError as error:
            raise InputError(f"{path} cannot be written: {error.strerror or error}") from error
        _tell(f"written: {path}")


def _progress(done: int, total: int) -> None:
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{done / max(total, 1):4.0%} of {total} rows{'' if done < total else chr(10)}")
        sys.stderr.flush()


def _tell(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command()(examine)
