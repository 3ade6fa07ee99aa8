"""The page of a sizing: one file that needs nothing else, says what the text says, and obeys no input."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest

from monitor.sizing.case import Case, Method, Part, PresentTank, TankKind, Use
from monitor.sizing.size import size
from monitor.web.sizing.answer import answer
from monitor.web.sizing.lines import lines
from monitor.web.sizing.page import page
from monitor.web.sizing.shown import Shown

BAR = Shown("bar")
LOOP = Case(
    use=Use.HEATING, parts=(Part(0.6),), hot=75.0, height=9.0, relief=300e3, present=PresentTank(50e-3, 1e5)
)  # fmt: skip


def plain(text: str) -> str:
    """Return what a reader sees of a page."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text.partition("<body>")[2])).split())


@pytest.mark.parametrize("shown", [Shown(unit) for unit in ("psi", "bar", "kPa", "MPa")])
def test_the_page_says_all_that_the_text_says_and_every_step(shown: Shown) -> None:
    found = size(LOOP)
    seen = plain(page(found, shown, ["By the office."]))
    for section in answer(found, shown, ["By the office."]):
        assert section.heading in seen
        for name, said in section.rows:
            assert f"{name} {said}".strip() in seen
    for line in lines(found.steps, shown):
        for part in (
            line.meaning,
            line.formula,
            line.numbers,
            f"{line.result} {line.unit}".strip(),
            line.source,
        ):
            assert part in seen


def test_the_page_needs_no_network_and_no_script() -> None:
    text = page(size(LOOP), BAR)
    assert "<script" not in text
    assert not re.search(r"\b(?:src|href)=|url\(|@import|https?://", text)
    assert "default-src 'none'" in text
    assert "@media print" in text


def test_what_comes_in_is_shown_and_not_obeyed() -> None:
    text = page(size(LOOP), BAR, ["<b>Tannery</b> Yard & Sons"])
    assert "&lt;b&gt;Tannery&lt;/b&gt; Yard &amp; Sons" in text


def test_a_plain_tank_has_no_air_charge_on_its_page() -> None:
    found = size(replace(LOOP, tank=TankKind.PLAIN, method=Method.ASHRAE, supply=120e3))
    text = page(found, BAR)
    assert "Air charge" not in text
    assert "Peak of a full recovery" in text


def test_whose_tank_it_is_and_of_which_day_stands_at_the_top() -> None:
    text = page(size(LOOP), BAR, place="Tannery <Yard> (yard-1)", dated="3 Mar 2026")
    heading = "Expansion tank for a heating loop: Tannery &lt;Yard&gt; (yard-1)"
    assert f"<title>{heading} – cushionwatch</title>" in text
    assert f"<h1>{heading}</h1>" in text
    assert "3 Mar 2026. Method: EN 12828, annex D." in text
    assert "<h1>Expansion tank for a heating loop</h1>" in page(size(LOOP), BAR)
