"""All commands, and what becomes of an error: a message for people, no traceback for a mistake of theirs."""

from __future__ import annotations

import errno
import os
import sys
from typing import Final

import typer

from monitor.cli import (
    advice,
    alert,
    backup,
    check,
    commission,
    copied,
    demo,
    events,
    examine,
    export,
    gaps,
    neglected,
    performance,
    proof,
    rejected,
    restore,
    run,
    size,
    visit,
    worklist,
)
from monitor.errors import CushionwatchError, InputError, StoreError

USAGE: Final = 2
"""Exit code for bad input; typer uses it for a wrong command line too."""

_FULL: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO})
"""What a place says that takes no more; commands word it themselves where they open a file by name."""

app = typer.Typer(
    name="cushionwatch",
    help="Know the state of the air cushion in a closed water-heating system from its pressure.",
    epilog="Begin with: cushionwatch demo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
)
_MODULES: Final = (
    demo, run, check, commission, examine, size, visit, proof, advice, export, backup, restore, rejected, gaps, copied,
    alert, events, performance, worklist, neglected,
)  # fmt: skip
for module in _MODULES:
    module.add_to(app)


def main() -> None:
    """Run the command line; ends the process with its exit code."""
    try:
        _run()
    except CushionwatchError as error:
        sys.stderr.write(f"cushionwatch: {error}\n")
        sys.exit(USAGE if isinstance(error, InputError | StoreError) else 1)
    except BrokenPipeError:
        # The reader of our output has gone; nothing more can be said, not even at the interpreter's end.
        _silence()
        sys.exit(1)
    except OSError as error:
        if error.filename is not None or error.errno not in _FULL:
            raise
        sys.stderr.write(f"cushionwatch: the output cannot be written: {error.strerror}\n")
        _silence()
        sys.exit(1)


def _run() -> None:
    try:
        app()
    except SystemExit:
        sys.stdout.flush()  # or the interpreter finds at its end that it cannot, with a traceback
        raise


def _silence() -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
