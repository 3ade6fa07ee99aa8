"""A sizing as lines of text for a person at the plant."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from monitor.sizing.result import Sizing
from monitor.web.sizing.answer import METHODS, Section, answer, title
from monitor.web.sizing.lines import Line, lines
from monitor.web.sizing.shown import Shown

_WIDTH: Final = 88
_NAME: Final = 12


def text(
    found: Sizing, shown: Shown, notes: Sequence[str] = (), *, place: str = "", explain: bool = False
) -> str:
    """Return the sizing as lines; with ``explain`` every step of the calculation too."""
    heading = textwrap.wrap(title(found, place), _WIDTH)
    return "\n".join([*heading, *_lines(found, shown, notes, explain=explain)])


def _lines(found: Sizing, shown: Shown, notes: Sequence[str], *, explain: bool) -> Iterator[str]:
    yield f"  Method: {METHODS[found.method]}. Pressures are gauge."
    for section in answer(found, shown, notes):
        yield ""
        yield from _section(section)
    if explain:
        yield ""
        yield "Calculation (p gauge, P absolute)"
        for line in lines(found.steps, shown):
            yield from _step(line)


def _section(section: Section) -> Iterator[str]:
    yield section.heading
    for name, said in section.rows:
        head = f"  {name:<{_NAME}}" if name else "  - "
        yield from textwrap.wrap(
            said, _WIDTH, initial_indent=head, subsequent_indent=" " * len(head), break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip


def _step(line: Line) -> Iterator[str]:
    """Yield what is found and whence, and under it the arithmetic, which is never broken."""
    result = f"{line.result} {line.unit}".rstrip()
    if not line.formula:
        yield f"  {line.symbol} = {result}"
    else:
        yield f"  {line.symbol} = {line.formula}"
        yield f"      = {line.numbers} = {result}"
    yield from textwrap.wrap(
        f"{line.meaning} [{line.source}]", _WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6
    )
