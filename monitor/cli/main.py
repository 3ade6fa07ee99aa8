"""All commands, and what becomes of an error: a message for people, no traceback for a mistake of theirs."""

from __future__ import annotations

import os
import sys
from typing import Final

import typer

from monitor.cli import alert, check, demo, examine, neglected, rejected, run, size, visit
from monitor.errors import CushionwatchError, InputError, StoreError

USAGE: Final = 2
"""Exit code for bad input; typer uses it for a wrong command line too."""

app = typer.Typer(
    name="cushionwatch",
    help="Know the state of the air cushion in a closed water-heating system from its pressure.",
    epilog="Begin with: cushionwatch demo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
)
for module in (demo, run, check, examine, size, visit, rejected, alert, neglected):
    module.add_to(app)


def main() -> None:
    """Run the command line; ends the process with its exit code."""
    try:
        app()
    except CushionwatchError as error:
        sys.stderr.write(f"cushionwatch: {error}\n")
        sys.exit(USAGE if isinstance(error, InputError | StoreError) else 1)
    except BrokenPipeError:
        # The reader of our output has gone; nothing more can be said, not even at the interpreter's end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
