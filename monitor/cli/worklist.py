"""``cushionwatch worklist``: which sites to drive to, in which order, and what to bring."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.service.ports import SiteView
    from monitor.service.settings import ServiceSettings
    from monitor.service.worklist import Job


class Form(StrEnum):
    """How the list is written."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"
    ICAL = "ical"


def worklist(
    config: Config = DEFAULT,
    form: Annotated[
        Form, typer.Option("--as", help="For people, programs, spreadsheets or calendars.")
    ] = Form.TEXT,
    customer: Annotated[
        str | None, typer.Option(help="Only sites of this customer, as their site files name it.")
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Also sites where nothing has to be done.")
    ] = False,
) -> None:
    """List the sites that want a visit, the most pressing first: what to do, until when, what to bring.

    It works beside a running service, whose page has the same as /api/worklist, /worklist.csv and /visits.ics.

    Example: `cushionwatch worklist --as csv > monday.csv`
    """
    from monitor.service.clock import SystemClock  # noqa: PLC0415 - what follows loads everything
    from monitor.service.worklist import work_list  # noqa: PLC0415
    from monitor.web.jobs import as_calendar, as_csv, as_rows  # noqa: PLC0415

    settings, now = load(config), SystemClock().now()
    views = [view for view in _views(settings, now) if customer in {None, view.site.customer}]
    if customer is not None and not views:
        known = ", ".join(sorted({repr(site.customer) for site in settings.sites.values() if site.customer}))
        raise InputError(
            f"no site has the customer {customer!r}; known: {known or 'none, no site file names one'}"
        )
    jobs = work_list(views, now, everything=everything, length=settings.visits.watch)
    if form is Form.JSON:
        typer.echo(json.dumps(as_rows(jobs), allow_nan=False, indent=2))
    elif form is Form.CSV:
        typer.echo(as_csv(jobs), nl=False)
    elif form is Form.ICAL:
        sys.stdout.buffer.write(as_calendar(jobs, now))
    else:
        typer.echo("\n".join(_text(jobs, len(views), now)))


def _views(settings: ServiceSettings, now: float) -> Iterator[SiteView]:
    """Yield what is stored of each site."""
    from monitor.app import STORE, open_store  # noqa: PLC0415
    from monitor.cli.stored_report import report_from  # noqa: PLC0415
    from monitor.service.followup import followed  # noqa: PLC0415
    from monitor.service.ports import SiteView  # noqa: PLC0415

    if not (settings.data / STORE).exists():
        raise InputError(f"there is no store in {settings.data} yet: the service makes it")
    with open_store(settings) as store:
        for site in settings.sites.values():
            visits = store.visits(site.id)
            report = followed(site, visits, report_from(store, site, now), now, settings.visits.watch)
            events = store.events(site.id, open_only=True, limit=1000)
            yield SiteView(site, report, store.latest(site.id), events, visits)


def _text(jobs: Sequence[Job], sites: int, now: float) -> Iterator[str]:
    from monitor.web.visits.words import ADVICE  # noqa: PLC0415
    from monitor.web.words import date  # noqa: PLC0415

    for place, job in enumerate(jobs, 1):
        site = job.site
        due = "no date" if job.due is None else f"by {date(job.due, site.timezone)}"
        late = " (overdue)" if job.due is not None and job.due < now else ""
        mark = "URGENT  " if job.urgent else ""
        yield f"{place}. {mark}{site.name or site.id} ({site.id}): {ADVICE[job.row.advice]}, {due}{late}"
        where = ", ".join(part for part in (site.customer, site.address) if part)
        for head, told in (
            ("Where", where),
            ("Do", job.row.do),
            ("Why", job.row.why),
            ("Bring", "; ".join(job.bring)),
            ("Mind", " ".join(job.cautions)),
            ("Events", ", ".join(map(str, job.events))),
        ):
            if told:
                yield textwrap.fill(f"{head:<7}{told}", 100, initial_indent="   ", subsequent_indent=" " * 10)
        yield ""
    count = f"{len(jobs)} of {sites} sites want" if len(jobs) != 1 else f"1 of {sites} sites wants"
    yield f"{count} a visit. Local codes and licensed practice come before this list."


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(worklist)
