"""``cushionwatch proof``: show that the repair of a visit has held, as a page to print or send."""

from __future__ import annotations

import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.cli.paths import spare
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.cli.stored_report import Known
    from monitor.diagnosis.watchweek import Watched


def proof(
    site: Annotated[
        str | None, typer.Argument(help="Identifier of the site, of the service file.", show_default=False)
    ] = None,
    config: Config = DEFAULT,
    visit: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help="Time of the visit, RFC 3339 with its offset; the last one if left out."
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="OUT.html", help="Write the proof: one file, no network needed.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write one JSON object and nothing else.")] = False,
    readings: Annotated[
        Path | None, typer.Option(metavar="LOG", help="Read a log (as `examine` does), not the store.")
    ] = None,
    site_file: Annotated[
        Path | None, typer.Option("--site", metavar="SITE.toml", help="Site file of that log.")
    ] = None,
    visits: Annotated[Path | None, typer.Option(metavar="VISITS.csv", help="Visit book of that log.")] = None,
) -> None:
    """Say whether what a visit left in the tank has held, and write the proof if it has.

    After a visit the tank is watched for a week (`[visits] watch` in the service file). A fall is told as soon as it is
    certain; a proof is given at the end, and only where a loss would have been seen. The exit code is 0 if it held,
    1 if it is not shown to hold (what is missing is told), and 2 if the input is wrong.

    Example: `cushionwatch proof riverside-12 --out proof.html`

    Example without a service: `cushionwatch proof --readings log.csv --site riverside-12.toml --visits visits.csv`
    """
    from monitor.diagnosis.watchweek import WatchState  # noqa: PLC0415 - numpy loads slowly
    from monitor.service.proof import watch_at  # noqa: PLC0415

    time = None if visit is None else _time(visit)
    spare((readings, site_file, visits), (out,))
    known = _stored(site, config, readings, site_file, visits)
    watch = watch_at(known.site, known.visits, known.report, known.now, time=time, length=known.length)
    if watch.state is WatchState.HELD and out is not None:
        _write(out, known, watch)
    if as_json:
        typer.echo(json.dumps(_machine(known, watch), allow_nan=False))
    else:
        typer.echo("\n".join(_text(known, watch)))
    raise typer.Exit(0 if watch.state is WatchState.HELD else 1)


def _stored(
    site: str | None, config: Path, readings: Path | None, site_file: Path | None, visits: Path | None
) -> Known:
    if readings is None and site_file is None and visits is None:
        from monitor.cli.stored_report import stored_report  # noqa: PLC0415 - loads the store

        settings = load(config)
        if site is None and len(settings.sites) > 1:
            raise InputError(f"which site? Name one of {', '.join(settings.sites)}")
        return stored_report(settings, next(iter(settings.sites)) if site is None else site)
    if readings is None or site_file is None or visits is None:
        missing = (
            "--readings LOG"
            if readings is None
            else "--site SITE.toml"
            if site_file is None
            else "--visits CSV"
        )
        raise InputError(f"{missing} is missing: a log, its site file and its visit book go together")
    return _from_log(site, readings, site_file, visits)


def _from_log(site: str | None, readings: Path, site_file: Path, visits: Path) -> Known:
    from monitor.cli.stored_report import Known  # noqa: PLC0415
    from monitor.diagnosis.watchweek import WEEK  # noqa: PLC0415
    from monitor.ingest.logfile import read_log, read_visits  # noqa: PLC0415 - numpy and Arrow load slowly
    from monitor.service.pipeline import examine  # noqa: PLC0415
    from monitor.service.settings import load_site  # noqa: PLC0415

    facts = load_site(site_file)
    if site is not None and site != facts.id:
        raise InputError(
            f"{site_file} describes site {facts.id!r}, not {site!r}; leave SITE out with --readings"
        )
    book = read_visits(visits, facts.unit)
    log = read_log(readings, facts.unit)
    for note in log.notes:
        sys.stderr.write(f"{readings}: {note}\n")
    report = examine(facts, log.samples, book, lambda _: None, log.end)
    return Known(facts, tuple(book), (), report, max(log.end, float(log.samples.time[-1])), WEEK)


def _write(path: Path, known: Known, watch: Watched) -> None:
    from monitor.service.clock import SystemClock  # noqa: PLC0415
    from monitor.service.proof import proof_of  # noqa: PLC0415
    from monitor.web.visits.proof import page  # noqa: PLC0415 - loads slowly

    text = page(proof_of(known.site, known.report, watch, known.photos), SystemClock().now())
    try:
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError(f"{path} cannot be written: {getattr(error, 'strerror', None) or error}") from error
    sys.stderr.write(f"written: {path}\n")


def _machine(known: Known, watch: Watched) -> dict[str, object]:
    from monitor.diagnosis.watchweek import WatchState  # noqa: PLC0415
    from monitor.service.proof import proof_of  # noqa: PLC0415
    from monitor.web.visits import machine  # noqa: PLC0415

    told: dict[str, object] = {
        "site": known.site.id,
        "visit": machine.visit(watch.visit, known.photos),
        "watch": machine.watch(watch),
        "digest": None,
        "facts": None,
    }
    if watch.state is WatchState.HELD:
        found = proof_of(known.site, known.report, watch, known.photos)
        told |= {"digest": found.digest, "facts": found.facts}
    return told


def _text(known: Known, watch: Watched) -> list[str]:
    from textwrap import wrap  # noqa: PLC0415

    from monitor.diagnosis.advice_table import advise  # noqa: PLC0415
    from monitor.diagnosis.situation import situation  # noqa: PLC0415
    from monitor.diagnosis.watchweek_words import headline, sentence  # noqa: PLC0415
    from monitor.diagnosis.words import Speaker  # noqa: PLC0415
    from monitor.web.visits.words import DONE  # noqa: PLC0415

    speaker = Speaker(known.site)
    row = advise(situation(known.site, known.visits, known.report, known.now, known.length))
    when = speaker.moment(watch.visit.time)
    lines = [
        f"{known.site.name or known.site.id} ({known.site.id})",
        f"  Visit    {when}: {DONE[watch.visit.action]}",
    ]
    for name, text in ((headline(watch), sentence(watch, speaker)), ("Now", f"{row.do} {row.why}")):
        lines += wrap(f"{name}. {text}", 88, initial_indent="  ", subsequent_indent="  ")
    return lines


def _time(text: str) -> float:
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"--visit {text!r} is no time; write it like 2026-03-01T14:30:00+01:00") from error
    if when.tzinfo is None:
        raise InputError(f"--visit {text!r} has no offset; write it like {text}+00:00 or {text}Z")
    return when.timestamp()


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(proof)
