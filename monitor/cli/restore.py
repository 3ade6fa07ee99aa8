"""``cushionwatch restore``: a copy of the store in the store's place."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final

import typer

from monitor.cli.backup import told
from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import StoreError

_RUNNING: Final = ", and would go on with the old store; stop it first, then restore, then start it again"


def restore(
    copy: Annotated[Path, typer.Argument(metavar="FILE", help="A copy made by backup.", show_default=False)],
    config: Config = DEFAULT,
) -> None:
    """Put a copy in the place of the store; no service may run on it. The old store stays beside it.

    What came after the copy is not in it: devices that keep their readings can send them again. Alerts that were
    owed when the copy was made are sent again, with the same number.

    Example: `cushionwatch restore /media/usb/cushionwatch-2026-03-01.db`
    """
    from monitor.app import STORE  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415
    from monitor.store import copies  # noqa: PLC0415
    from monitor.store.lock import alone_in  # noqa: PLC0415

    store = load(config).data / STORE
    copies.check(copy)
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the data folder {store.parent} cannot be made: {error.strerror}") from error
    with alone_in(store.parent, _RUNNING):
        stamp = datetime.fromtimestamp(SystemClock().now(), UTC).strftime("%Y%m%dT%H%M%SZ")
        aside = store.with_name(f"{store.name}.before-{stamp}")
        content = copies.restore(copy, store, aside)
    typer.echo(f"Restored and checked: {store}\n  {told(content)}")
    if aside.exists():
        typer.echo(f"  The old store is {aside}; delete it when it is not needed any more.")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(restore)
