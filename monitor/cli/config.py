"""Which service file a command means, and what is said where there is none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from monitor.errors import InputError

if TYPE_CHECKING:
    from monitor.service.settings import ServiceSettings

DEFAULT: Final = Path("config/cushionwatch.toml")
VARIABLE: Final = "CUSHIONWATCH_CONFIG"

EPILOG: Final = (
    f"Without --config, {VARIABLE} in the environment names the service file; else it is {DEFAULT}."
)
"""Below the options, because their columns are too narrow for these names."""

Config = Annotated[
    Path,
    typer.Option(
        "--config",
        "-c",
        metavar="FILE",
        envvar=VARIABLE,
        help="Service file (TOML).",
        show_default=False,
        show_envvar=False,
    ),
]


def load(config: Path) -> ServiceSettings:
    """Return the settings in a service file; where there is none, say how to name one."""
    from monitor.service.settings import load_service  # noqa: PLC0415 - pydantic loads slowly

    if not config.exists():
        raise InputError(
            f"{config}: there is no such file; name your service file with --config FILE or in the "
            f"environment variable {VARIABLE}"
        )
    return load_service(config)
