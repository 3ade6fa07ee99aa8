"""TOML files, and on which line each of their keys stands.

The standard library reads TOML but keeps no lines; people who mend a file need them.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from monitor.service.settings.problems import Key, Problem, ProblemsError

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # strings first: brackets and newlines inside them mean nothing
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*|[\[\]{}]|\n|[^\"'\#\[\]{}\n]+",
    re.DOTALL,
)
_KEY_PART = re.compile(r""""((?:\\.|[^"\\])*)"|'([^']*)'|([A-Za-z0-9_-]+)""")
_WHERE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")


@dataclass(frozen=True, slots=True)
class Document:
    """A TOML file as read: its values, and the line of each key (tables and array items too)."""

    file: Path
    values: Mapping[str, object]
    lines: Mapping[Key, int]


def read_toml(path: Path) -> Document:
    """Return what a TOML file holds; `ProblemsError` if it cannot be read, is empty or no TOML."""
    text = _read_text(path)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise ProblemsError([_syntax_problem(path, text, str(exc))]) from exc
    except RecursionError as exc:
        raise _unreadable(path, "brackets nested too deeply to be read") from exc
    if not values:
        raise _unreadable(path, "the file holds no settings: start from the commented example")
    return Document(path, values, locate(text))


def locate(text: str) -> dict[Key, int]:
    r"""Return the line of each key in valid TOML; keys inside inline tables and arrays are left out.

    >>> locate("[tank]\nvolume = '8 L'\n")
    {('tank',): 1, ('tank', 'volume'): 2}
    """
    lines: dict[Key, int] = {}
    items: dict[Key, int] = {}  # arrays of tables: index of the item that is being filled
    table: Key = ()
    for line, statement in _statements(text):
        if statement.startswith("[["):
            name = _inside_items(_split_key(statement[2 : statement.rindex("]]")]), items)
            items[name] = items.get(name, -1) + 1
            table = (*name, items[name])
            lines.setdefault(name, line)
            lines[table] = line
        elif statement.startswith("["):
            table = _inside_items(_split_key(statement[1 : statement.rindex("]")]), items)
            lines.setdefault(table, line)
        else:
            lines.setdefault((*table, *_split_key(statement)), line)
    return lines


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of each table header and each ``key = value``, without comments."""
    depth, start, line = 0, 1, 1
    parts: list[str] = []
    for piece in _TOKEN.findall(f"{text}\n"):
        if piece == "\n" and depth == 0:
            if parts:
                yield start, "".join(parts).strip()
            parts = []
        elif not piece.startswith("#") and (parts or piece.strip()):
            start = start if parts else line
            parts.append(piece)
            depth += piece in {"[", "{"}
            depth -= piece in {"]", "}"}
        line += piece.count("\n")


def _split_key(text: str) -> Key:
    """Return the parts of a dotted key at the start of ``text``, up to an equals sign.

    >>> _split_key("broker . 'a.b' = 1")
    ('broker', 'a.b')
    """
    parts: list[str] = []
    position = 0
    while match := _KEY_PART.match(text, position):
        parts.append(next(group for group in match.groups() if group is not None))
        rest = text[match.end() :].lstrip(" \t")
        if not rest.startswith("."):
            break
        position = len(text) - len(rest[1:].lstrip(" \t"))
    return tuple(parts)


def _inside_items(name: Key, items: Mapping[Key, int]) -> Key:
    """Return ``name`` with the index of the current item behind each array of tables that it goes through."""
    full: Key = ()
    for part in name[:-1]:
        full = (*full, part)
        full = (*full, items[full]) if full in items else full
    return (*full, *name[-1:])


def _read_text(path: Path) -> str:
    if path.is_dir():
        raise _unreadable(path, "this is a folder; a TOML file is needed")
    try:
        data = path.read_bytes()
    except FileNotFoundError as exc:
        raise _unreadable(path, "there is no such file") from exc
    except (OSError, ValueError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else str(exc)
        raise _unreadable(path, f"the file cannot be read: {reason}") from exc
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as exc:
        line = data[: exc.start].count(b"\n") + 1
        read = f"byte 0x{data[exc.start]:02x}"
        allowed = "settings files are UTF-8 text: save it in that encoding"
        raise ProblemsError([Problem(path, line, "", read, allowed)]) from exc


def _unreadable(path: Path, reason: str) -> ProblemsError:
    return ProblemsError([Problem(path, None, "", "", reason)])


def _syntax_problem(path: Path, text: str, message: str) -> Problem:
    found = _WHERE.search(message)
    line = int(found[1]) if found and found[1] else len(text.splitlines())
    column = int(found[2]) if found and found[2] else None
    rows = text.splitlines()
    row = rows[line - 1].strip() if 0 < line <= len(rows) else ""
    read = repr(row) if row and "=" not in row else repr(row.split("=")[0].strip() + " = ...") if row else ""
    return Problem(path, line, "", read, f"this is no valid TOML: {_WHERE.sub('', message)}", column)
