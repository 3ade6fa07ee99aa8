"""Files that a command reads and files that it writes are never the same."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from monitor.errors import InputError


def spare(inputs: Sequence[Path | None], outputs: Sequence[Path | None]) -> None:
    """Refuse to write over a file that is read, or one result over the other, by whatever name or link."""
    written = [path for path in outputs if path is not None]
    for number, path in enumerate(written):
        for other in (*inputs, *written[:number]):
            if other is not None and _same(path, other):
                what = "is written already" if other in written[:number] else "would be lost: it is read here"
                raise InputError(f"{path}: the file {other} {what}; give the result a name of its own")


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):  # one of them is not there yet
        return os.path.realpath(one) == os.path.realpath(other)
