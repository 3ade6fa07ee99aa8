"""``cushionwatch export``: the readings of a site as a log file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load
from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.service.settings import ServiceSettings

_STEPS: Final = 1000


def export(
    site: Annotated[str, typer.Argument(help="Identifier of the site.", show_default=False)],
    out: Annotated[
        Path, typer.Option(metavar="OUT.csv|OUT.parquet", help="Where to write.", show_default=False)
    ],
    config: Config = DEFAULT,
    retold: Annotated[
        bool, typer.Option("--retold", help="Instead, what a device told of a time that it had told before.")
    ] = False,
) -> None:
    """Write the stored readings of a site as a log that `examine` reads; the service may run.

    One row for each pressure reading, with the heater and the temperature that held then: `time` (UTC), `pressure`
    (gauge, in the unit of the site file), `heater`, `temperature` (degC). The end of the name decides the form:
    .csv, .csv.gz or .parquet.

    With `--retold` one row for each reading that is kept apart because its device's clock had been set back: `time`,
    `point`, `value`, and `device`, `boot` and `sequence`, which tell it from the reading whose hour it repeats.

    Example: `cushionwatch export riverside-12 --out riverside.parquet`
    """
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store
    from monitor.cli.export_file import opened  # noqa: PLC0415
    from monitor.service.stored import stored_pieces  # noqa: PLC0415

    settings = load(config)
    if site not in settings.sites:
        known = ", ".join(settings.sites)
        raise InputError(f"site {site!r} is not known; known in {settings.sites_folder}: {known}")
    if retold:
        _write_retold(settings, site, out)
        return
    rows, done = 0, 0
    with (
        existing_store(settings) as store,
        opened(out, settings.sites[site].unit) as file,
        typer.progressbar(length=_STEPS, label=f"{out.name}", file=sys.stderr) as bar,
    ):
        for piece, share in stored_pieces(store, site):
            file.write(piece)
            rows += len(piece)
            bar.update(round(share * _STEPS) - done)
            done = round(share * _STEPS)
        if not rows:
            raise InputError(f"site {site!r} has no pressure reading in {store.path}: nothing is written")
    sys.stderr.write(f"written: {out} ({rows} rows)\n")


def _write_retold(settings: ServiceSettings, site: str, out: Path) -> None:
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store
    from monitor.cli import retold_file  # noqa: PLC0415
    from monitor.readings import Point  # noqa: PLC0415

    with existing_store(settings) as store:
        rows = [row for point in Point for row in store.retold(site, point)]
    if not rows:
        raise InputError(f"site {site!r} has no reading of a time that was told before: nothing is written")
    retold_file.write(out, rows, settings.sites[site].unit)
    sys.stderr.write(f"written: {out} ({len(rows)} rows)\n")


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(export)
