"""The secret with which links in alerts are signed: a file beside the store, made at the first start."""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Final

from monitor.errors import StoreError

NAME: Final = "cushionwatch.secret"
_BYTES: Final = 32


def secret_in(folder: Path) -> bytes:
    """Return the secret of a data folder; made where there is none, for its owner alone to read.

    Raises
    ------
    StoreError
        If it cannot be made or read, is too short, or others may read it.
    """
    path = folder / NAME
    try:
        if not path.exists():
            _make(path)
        if path.stat().st_mode & 0o077:
            raise StoreError(
                f"{path} can be read by others: chmod 600 {path}, or delete it so that it is made anew"
            )
        secret = path.read_bytes()
    except OSError as error:
        raise StoreError(f"the secret {path} cannot be read or made: {error.strerror}") from error
    if len(secret) < _BYTES:
        raise StoreError(f"{path} is damaged: delete it; it is made anew, and links in older alerts end")
    return secret


def _make(path: Path) -> None:
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        os.write(handle, secrets.token_bytes(_BYTES))
        os.fsync(handle)
    finally:
        os.close(handle)
    part.replace(path)
