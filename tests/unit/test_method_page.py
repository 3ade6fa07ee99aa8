"""The page of the method says what the program does: tables as printed today, functions that exist."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest
from typer.testing import CliRunner

from monitor.cli.main import app

PAGE = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text()
(METHOD,) = re.findall(r"^## The method\n(.*?)^## ", PAGE, re.MULTILINE | re.DOTALL)
ROWS = [
    line.strip("|").split(" | ")
    for line in METHOD.splitlines()
    if line.startswith("| ") and "---" not in line
]
FORMULAS = [row for row in ROWS if row[0].strip() != "formula"]


def test_the_tables_are_what_the_command_prints_today() -> None:
    (tables,) = re.findall(
        r"^<!-- cushionwatch neglected --markdown -->\n(.*?)^<!-- end of the tables -->",
        PAGE,
        re.MULTILINE | re.DOTALL,
    )
    printed = CliRunner().invoke(app, ["neglected", "--markdown"]).stdout
    assert tables.strip() == printed.strip(), "run: cushionwatch neglected --markdown, and put it in"


def test_the_page_lists_formulas() -> None:
    assert len(FORMULAS) > 30


@pytest.mark.parametrize("row", FORMULAS, ids=lambda row: row[-1].strip(" `"))
def test_a_formula_has_its_symbols_range_source_and_function(row: list[str]) -> None:
    assert len(row) == 5, row
    assert all(cell.strip() for cell in row), row
    (name,) = re.findall(r"`([\w.]+)`", row[-1])
    module, *rest = _split(name)
    found: object = import_module(f"monitor.{module}")
    for part in rest:
        found = getattr(found, part)
    assert callable(found)
    assert found.__doc__


def _split(name: str) -> list[str]:
    """Return the module and the names in it: packages have two parts."""
    parts = name.split(".")
    return [".".join(parts[:2]), *parts[2:]]
