"""What is wrong with a settings file: where it stands, what was read, what is allowed, what to do.

All problems of a file are reported together, because a person mends them in one sitting.
"""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from monitor.errors import SettingsError

Key = tuple[str | int, ...]

_SECRET_KEYS = frozenset({"url", "password", "passwd", "token", "secret"})
_KINDS = {  # what is allowed, by pydantic's name for what is wrong
    "string_type": "text in quotes",
    "int_type": "a whole number without quotes",
    "float_type": "a number without quotes",
    "bool_type": "true or false, without quotes",
    "model_type": "a table with keys of its own",
    "dict_type": "a table with keys of its own",
}
_SHOWN = 80  # characters of a value that are repeated in a message: enough to recognise it


class Table(BaseModel):
    """Base of all tables in settings files: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in one file; ``line`` counts from 1, None where the whole file is meant."""

    file: Path
    line: int | None
    key: str
    read: str
    allowed: str
    column: int | None = None

    def __str__(self) -> str:
        """Return one line for people: ``file:line: key: read ...; ...``."""
        where = ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)
        what = ": ".join(part for part in (where, self.key) if part)
        return f"{what}: read {self.read}; {self.allowed}" if self.read else f"{what}: {self.allowed}"


class ProblemsError(SettingsError):
    """One or more settings files are wrong; ``problems`` holds every reason, the message all of them."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


def refuse(reason: str, at: Key = ()) -> PydanticCustomError:
    """Return the error with which a validator says what is allowed; ``at``: the key inside its table."""
    return PydanticCustomError("refused", "{reason}", {"reason": reason, "at": at})


def closest(name: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean ...?"`` for a near miss, else nothing."""
    words = {word.lower(): word for word in known}
    near = difflib.get_close_matches(name.lower(), words, n=1)
    return f"; did you mean {words[near[0]]!r}?" if near else ""


def show_key(key: Key) -> str:
    """Return a key as it is written in messages.

    >>> show_key(("topics", 0, "unit"))
    'topics[0].unit'
    """
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def show_value(key: Key, value: object) -> str:
    """Return what was read, cut to a length that fits a message; never a secret."""
    if any(part in _SECRET_KEYS for part in key) or "://" in str(value):
        return "a value that is not shown here (it may hold a secret)"
    if isinstance(value, Mapping):
        return f"a table with {', '.join(map(repr, value)) or 'nothing in it'}"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def line_of(key: Key, lines: Mapping[Key, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it."""
    for length in range(len(key), 0, -1):
        here = [line for known, line in lines.items() if known[:length] == key[:length]]
        if here:
            return min(here)
    return None


def explain(
    error: ValidationError, model: type[BaseModel], file: Path, lines: Mapping[Key, int]
) -> list[Problem]:
    """Return one problem for each thing that pydantic found wrong, in the order of the file."""
    found = []
    for details in error.errors(include_url=False):
        inner: Key = details.get("ctx", {}).get("at", ())
        key: Key = (*details["loc"], *inner)
        whole = inner or not key  # the message itself tells which values do not go together
        read = (
            "nothing" if details["type"] == "missing" else "" if whole else show_value(key, details["input"])
        )
        found.append(Problem(file, line_of(key, lines), show_key(key), read, _allowed(details, model)))
    return sorted(found, key=lambda problem: problem.line or 0)


def _allowed(details: ErrorDetails, model: type[BaseModel]) -> str:
    context = details.get("ctx", {})
    match details["type"]:
        case "refused":
            return str(context["reason"])
        case "missing":
            return "this key is needed"
        case "extra_forbidden":
            known = _keys_at(model, details["loc"][:-1])
            near = closest(str(details["loc"][-1]), known)
            return f"this key is not known; known here: {', '.join(known)}{near}"
        case kind if kind in _KINDS:
            return f"allowed: {_KINDS[kind]}"
        case "literal_error" | "enum":
            words = str(context["expected"])
            known = words.replace(" or ", ", ").replace("'", "").split(", ")
            return f"allowed: {words}{closest(str(details['input']), known)}"
        case _:
            return details["msg"].replace("Input should be", "allowed:").replace("Value error, ", "")


def _keys_at(model: type[BaseModel], key: Key) -> list[str]:
    """Return the keys that the table at ``key`` may hold."""
    here = model
    for part in key:
        if isinstance(part, str) and part in here.model_fields:
            here = _table_in(here.model_fields[part].annotation) or here
    return list(here.model_fields)


def _table_in(annotation: object) -> type[BaseModel] | None:
    """Return the table type inside ``X``, ``X | None``, ``tuple[X, ...]`` or ``Mapping[str, X]``."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, BaseModel) else None
    for argument in typing.get_args(annotation):
        found = _table_in(argument)
        if found is not None:
            return found
    return None
