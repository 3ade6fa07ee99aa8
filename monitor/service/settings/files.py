"""Paths in settings, relative to the file in which they stand, and secrets, which stay in files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, ValidationInfo

from monitor.errors import SettingsError
from monitor.service.settings.problems import refuse

_SECRET_MOST = 4096


def _path(value: object, info: ValidationInfo) -> Path:
    if not isinstance(value, str) or not value or "\0" in value:
        raise refuse("allowed: a path in quotes, absolute or relative to this file")
    base: Path = (info.context or {}).get("base", Path())
    return base / Path(value).expanduser()


def _file(value: object, info: ValidationInfo) -> Path:
    path = _path(value, info)
    if path.is_dir():
        raise refuse(f"{path} is a folder; a file is needed")
    try:
        path.open("rb").close()
    except OSError as exc:
        raise refuse(f"the file {path} cannot be read: {exc.strerror}") from exc
    return path


def _secret(value: object, info: ValidationInfo) -> Path:
    path = _file(value, info)
    try:
        read_secret(path)
    except SettingsError as exc:
        raise refuse(str(exc)) from exc
    return path


def _folder(value: object, info: ValidationInfo) -> Path:
    path = _path(value, info)
    if not path.is_dir():
        raise refuse(f"there is no folder {path}")
    return path


def _new_folder(value: object, info: ValidationInfo) -> Path:
    path = _path(value, info)
    if path.exists() and not path.is_dir():
        raise refuse(f"{path} is not a folder")
    return path


def read_secret(path: Path) -> str:
    """Return the one line of a secret file without its line end; `SettingsError` that never shows it."""
    try:
        text = path.read_text(encoding="utf-8").rstrip("\r\n")
    except UnicodeDecodeError as exc:
        raise SettingsError(f"the secret file {path} is not UTF-8 text") from exc
    except OSError as exc:
        raise SettingsError(f"the secret file {path} cannot be read: {exc.strerror}") from exc
    if not text or "\n" in text or len(text) > _SECRET_MOST:
        raise SettingsError(f"the secret file {path} must hold one line, the secret alone")
    return text


ExistingFile = Annotated[Path, BeforeValidator(_file)]
SecretFile = Annotated[Path, BeforeValidator(_secret)]
ExistingFolder = Annotated[Path, BeforeValidator(_folder)]
NewFolder = Annotated[Path, BeforeValidator(_new_folder)]
