"""What stands in a payload: JSON, a path into it, and the samples with their value, unit and time stamp."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from typing import Any, Final, NamedTuple

import msgspec

from monitor.errors import PayloadError
from monitor.ingest.values import show
from monitor.service.settings import TopicTable

_STEP = re.compile(r"[^.\[\]]+|\[-?\d+\]")


class Missing:
    """There is nothing at a path; distinct from null, which a device writes on purpose."""


MISSING: Final = Missing()


class Several(list[object]):
    """The samples of a message that carries an array of them."""


class Fields(NamedTuple):
    """What a sample says; ``unit`` and ``time`` are None where it does not say."""

    value: object
    unit: object
    time: object


def parse(payload: bytes, *, words: bool) -> object:
    """Return what JSON a payload holds; plain text too if ``words``; `PayloadError` if it is neither.

    NaN and Infinity, which some devices write although JSON has no such numbers, become non-finite
    floats: they are refused later, one by one, and do not take the good samples beside them along.
    """
    if not payload.strip():
        raise PayloadError("empty payload")
    try:
        return msgspec.json.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError) as exc:
        problem = str(exc)
    except RecursionError as exc:
        raise PayloadError("brackets nested too deeply") from exc
    try:
        text = payload.decode()
        return json.loads(text)
    except UnicodeDecodeError as exc:
        raise PayloadError("payload is neither JSON nor UTF-8 text") from exc
    except RecursionError as exc:
        raise PayloadError("brackets nested too deeply") from exc
    except ValueError as exc:
        if words and len(text) < 100:
            return text
        raise PayloadError(f"no JSON: {problem}") from exc


def samples(entry: TopicTable, content: object) -> object:
    """Return the samples of a payload as `Several`, or its single sample; an empty array is refused."""
    found = content
    if entry.samples_path is not None:
        found = at(content, entry.samples_path)
        if found is not MISSING and not isinstance(found, list):
            raise PayloadError(f"no array of samples at {entry.samples_path!r}; read: {show(found)}")
    elif entry.value_path is not None and entry.value_path.startswith("["):
        return content  # the path itself says which item of an array is meant
    if found == []:
        raise PayloadError("an empty array: no sample")
    return Several(found) if isinstance(found, list) else found


def fields(entry: TopicTable, sample: object) -> Fields:
    """Return value, unit and time stamp of one sample as the entry says where they stand."""
    if entry.value_path is None:
        if isinstance(sample, dict):
            return Fields(sample.get("value", MISSING), sample.get("unit"), sample.get("time"))
        return Fields(sample, None, None)
    time: object = None
    if entry.time_path is not None and entry.time_format != "none":
        time = at(sample, entry.time_path)
    unit = at(sample, entry.unit_path) if entry.unit_path is not None else None
    return Fields(at(sample, entry.value_path), None if unit is MISSING else unit, time)


def at(content: object, path: str) -> object:
    """Return what stands at a path in parsed JSON, `MISSING` if nothing does.

    >>> at({"state": {"sensors": [{"p": 4.1}]}}, "state.sensors[0].p")
    4.1
    """
    here: Any = content  # a list is asked by number only, an object by name only
    for step in _steps(path):
        fits = isinstance(here, list) if isinstance(step, int) else isinstance(here, dict)
        if not fits:
            return MISSING
        try:
            here = here[step]
        except LookupError:
            return MISSING
    return here


@lru_cache(maxsize=1000)
def _steps(path: str) -> tuple[str | int, ...]:
    found = [] if path == "." else _STEP.findall(path)
    return tuple(int(step[1:-1]) if step.startswith("[") else step for step in found)
