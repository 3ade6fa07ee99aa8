"""``cushionwatch check``: tells whether the configuration is right."""

from __future__ import annotations

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load


def check(config: Config = DEFAULT) -> None:
    """Check the service file and all site files, and say what is wrong: file, line, key, allowed values.

    Nothing is started. The exit code is 0 if all is well and 2 if not.

    Example: `cushionwatch check --config config/cushionwatch.toml`
    """
    from monitor.dispatch import dispatch_of  # noqa: PLC0415 - loads slowly

    settings = load(config)
    dispatch_of(settings)  # languages and their catalogues of texts
    count = len(settings.sites)
    typer.echo(
        f"{config} is right, and so {'is its site file' if count == 1 else f'are its {count} site files'}."
    )


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(check)
