"""One entry a line, as text and as JSON, whatever stands in it."""

from __future__ import annotations

import json
import logging
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli.logs import JsonLine, OneLine

AT = 1_770_000_000.25
FORGED = "x\n2026-01-01T00:00:00Z CRITICAL cushionwatch: forged\r\x1b[2J\x85\u2028\ud800"
VALUES = st.none() | st.booleans() | st.floats() | st.integers() | st.text() | st.lists(st.text())


def record(message: str, *arguments: object, exc_info: Any = None, **fields: object) -> logging.LogRecord:
    made = logging.LogRecord("cushionwatch.x", logging.WARNING, "x.py", 1, message, arguments, exc_info)
    made.created, made.msecs = AT, 250.0
    vars(made).update(fields)
    return made


def fail() -> None:
    raise ValueError(FORGED)


def failed() -> Any:
    try:
        fail()
    except ValueError as error:
        return type(error), error, error.__traceback__


def entry(**fields: object) -> dict[str, Any]:
    return json.loads(JsonLine().format(record("event %d raised", 5, **fields)), parse_constant=pytest.fail)


def test_a_json_entry_has_time_level_logger_message_and_what_is_added() -> None:
    assert entry(site="a", event=5, share=0.5, gone=None, path=[1]) == {
        "time": "2026-02-02T02:40:00.250Z",
        "level": "warning",
        "logger": "cushionwatch.x",
        "message": "event 5 raised",
        "site": "a",
        "event": 5,
        "share": 0.5,
        "gone": None,
        "path": "[1]",
    }


def test_fields_cannot_take_the_place_of_those_of_the_entry() -> None:
    assert entry(level="x", logger="x", time="x")["level"] == "warning"


def test_a_number_that_json_does_not_have_is_a_word() -> None:
    assert entry(value=float("nan"), most=float("inf")) == entry() | {"value": "nan", "most": "inf"}


def test_a_json_entry_with_a_traceback_is_still_one_line() -> None:
    text = JsonLine().format(record(FORGED, exc_info=failed()))
    assert text.isascii()
    assert len(text.splitlines()) == 1
    assert json.loads(text)["message"] == FORGED
    assert "ValueError" in json.loads(text)["exception"]


def test_no_line_of_a_traceback_in_text_can_be_taken_for_an_entry() -> None:
    lines = OneLine().format(record(FORGED, exc_info=failed())).split("\n")
    assert lines[0].startswith("2026-02-02T02:40:00Z WARNING cushionwatch.x: x\\x0a2026")
    assert all(line.startswith("    ") for line in lines[1:])
    assert any(line.strip().startswith("2026-01-01T00:00:00Z CRITICAL") for line in lines[1:])
    "\n".join(lines).encode()  # a lone surrogate would break the stream


@given(message=st.text(), fields=st.dictionaries(st.text(), VALUES, max_size=3))
def test_any_entry_is_one_line_in_each_form(message: str, fields: dict[str, object]) -> None:
    own = {*vars(record("")), "message", "arguments", "exc_info"}
    one = record("%s", message, **{key: value for key, value in fields.items() if key not in own})
    text, machine = OneLine().format(one), JsonLine().format(one)
    assert len(text.splitlines()) == len(machine.splitlines()) == 1
    assert json.loads(machine, parse_constant=pytest.fail)["message"] == message
    text.encode()
    machine.encode()
