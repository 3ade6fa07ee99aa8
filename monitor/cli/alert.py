"""``cushionwatch alert``: tries whether alerts arrive, and says who would be told of what."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.diagnosis.faults import Fault, Severity
    from monitor.service.settings import ServiceSettings


def alert(
    config: Config = DEFAULT,
    test: Annotated[bool, typer.Option("--test", help="Send a test alert through each channel.")] = False,
    explain: Annotated[
        str | None,
        typer.Option(
            "--explain", metavar="SITE", help="Say who would be told of a fault of this site; send nothing."
        ),
    ] = None,
    fault: Annotated[str, typer.Option("--fault", help="The fault, for --explain.")] = "air_cushion_lost",
    priority: Annotated[
        str | None,
        typer.Option(
            "--priority", help="high, medium or low, for --explain; without it the usual one of the fault."
        ),
    ] = None,
) -> None:
    """Send a test alert through each channel, or say who would be told of a fault, when and in which words.

    With --test the exit code is 0 if all went out, 1 if one did not; with --explain 0 if somebody would be told, 1 if
    nobody. It is 2 if no channel is configured or an option is wrong.

    Example: `cushionwatch alert --test --config config/cushionwatch.toml`
    """
    settings = load(config)
    if not settings.channels and not settings.people:
        raise InputError(
            f"{config}: no channel is configured; add a table [people.NAME] or [alerts.channels.NAME]"
        )
    if explain is not None:
        raise typer.Exit(_explain(settings, explain, fault, priority))
    if not test:
        raise InputError(
            "nothing to do; add --test to send a test alert through each channel, or --explain SITE to see who would "
            "be told of a fault"
        )
    raise typer.Exit(_test(settings))


def _test(settings: ServiceSettings) -> int:
    from monitor.alerting.channels import build_channels, test_channels  # noqa: PLC0415 - loads slowly
    from monitor.dispatch import dispatch_of  # noqa: PLC0415
    from monitor.service.clock import SystemClock  # noqa: PLC0415

    channels = build_channels(dispatch_of(settings).book.recipients, sys.stdout)
    results = test_channels(channels, SystemClock().now())
    for name, sent, detail in results:
        typer.echo(f"{name}: {'went out' if sent else f'did NOT go out: {detail}'}")
    return 0 if all(sent for _, sent, _ in results) else 1


def _explain(settings: ServiceSettings, site_id: str, fault: str, priority: str | None) -> int:
    from monitor.alerting.clerk import Office  # noqa: PLC0415 - loads slowly
    from monitor.alerting.explain import explain, nothing_known, shown, usual  # noqa: PLC0415
    from monitor.alerting.timers import Fleet  # noqa: PLC0415
    from monitor.diagnosis.faults import Finding  # noqa: PLC0415
    from monitor.dispatch import dispatch_of  # noqa: PLC0415
    from monitor.service.clock import SystemClock  # noqa: PLC0415

    site = settings.sites.get(site_id)
    if site is None:
        raise InputError(f"--explain {site_id!r}: there is no such site; known: {', '.join(settings.sites)}")
    kind, severity = _fault(fault), _severity(priority)
    now = SystemClock().now()
    dispatch = dispatch_of(settings)
    report = nothing_known(site)
    office = Office(dispatch.book, dispatch.voices, settings.sites, lambda _: report, lambda: Fleet(0))
    finding = Finding(kind, now, now, severity or usual(kind), 0.97, "", "", "")
    told = explain(office, site, finding, now)
    typer.echo(f"{finding.fault.value} at {site_id}, {finding.severity.value} priority, raised now:\n")
    for one in told:
        typer.echo(shown(one))
    if not told:
        typer.echo("NOBODY would be told: no rule takes it, and no channel its priority.")
    elif settings.web.address is None and settings.people:
        typer.echo("Without [web] address alerts have no link to acknowledge.")
    return 0 if told else 1


def _fault(text: str) -> Fault:
    from monitor.diagnosis.faults import Fault  # noqa: PLC0415 - see _explain

    try:
        return Fault(text)
    except ValueError:
        raise InputError(f"--fault {text!r}: there is no such fault; known: {', '.join(Fault)}") from None


def _severity(text: str | None) -> Severity | None:
    from monitor.diagnosis.faults import Severity  # noqa: PLC0415 - see _explain

    if text is None:
        return None
    try:
        return Severity(text)
    except ValueError:
        raise InputError(f"--priority {text!r}; allowed: {', '.join(Severity)}") from None


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(alert)
