"""Catalogues of texts: files in the notation of gettext (``de.po``), read at the start. Nothing has to be compiled.

The English text is the key. A catalogue of one's own, also an ``en.po``, goes before the one that comes with the
program, entry by entry: so texts are replaced as they are translated.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping
from pathlib import Path
from string import Formatter
from typing import Final

from monitor.errors import SettingsError

FOLDER: Final = Path(__file__).parent / "locale"
"""Where the catalogues are that come with the program."""


def read_po(path: Path) -> dict[str, str]:
    """Return the translations in a PO file by their English text; those that are empty or fuzzy are left out.

    Raises
    ------
    SettingsError
        If the file cannot be read, or a text names other values than its English original; says which.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"the catalogue {path} cannot be read: {error}") from error
    found: dict[str, str] = {}
    entry: dict[str, str] = {}
    key, fuzzy = "", False
    for number, raw in enumerate([*lines, ""], 1):
        line = raw.strip()
        if line.startswith("#"):
            fuzzy = fuzzy or (line.startswith("#,") and "fuzzy" in line)
        elif not line:
            if entry.get("msgid") and entry.get("msgstr") and not fuzzy:
                found[entry["msgid"]] = entry["msgstr"]
            entry, key, fuzzy = {}, "", False
        else:
            word, _, rest = line.partition(" ")
            if word in {"msgid", "msgstr"}:
                key = word
            else:
                rest = line
            entry[key] = entry.get(key, "") + _text(rest, f"{path}:{number}", key)
    for english, own in found.items():
        if fields(english) != fields(own):
            raise SettingsError(
                f"{path}: the translation of {english!r} must name the values {_listed(english)} and no others; it "
                f"names {_listed(own)}"
            )
    return found


def catalogue(language: str, own: Path | None = None) -> Mapping[str, str]:
    """Return the texts of a language; empty for English, unless it is replaced.

    Raises
    ------
    SettingsError
        If there is no catalogue of this language, or one is wrong.
    """
    files = [folder / f"{language}.po" for folder in (FOLDER, own) if folder is not None]
    present = [file for file in files if file.is_file()]
    if not present and language != "en":
        known = sorted(
            {"en", *(file.stem for folder in (FOLDER, own) if folder for file in folder.glob("*.po"))}
        )
        raise SettingsError(
            f"there are no texts in the language {language!r}; known: {', '.join(known)}. Others can be put as "
            f"{language}.po into the folder that alerts.texts names"
        )
    texts: dict[str, str] = {}
    for file in present:
        texts.update(read_po(file))
    return texts


def fields(text: str) -> set[str]:
    """Return the names of the values in a text.

    >>> sorted(fields("{site}: {count} of them"))
    ['count', 'site']
    """
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def _listed(text: str) -> str:
    return ", ".join(sorted(fields(text))) or "none"


def _text(quoted: str, where: str, key: str) -> str:
    try:
        value = ast.literal_eval(quoted) if quoted.startswith('"') else None
    except (ValueError, SyntaxError):
        value = None
    if not isinstance(value, str) or not key:
        raise SettingsError(
            f'{where}: read {quoted[:60]!r}; allowed: msgid "..." and msgstr "...", or a comment'
        )
    return value
