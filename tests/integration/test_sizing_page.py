"""The page of a sizing in a real browser: who can read it, on a screen and on paper."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect, sync_playwright

from monitor.sizing.case import Case, Code, Part, PresentTank, Use
from monitor.sizing.size import size
from monitor.units import PSI
from monitor.web.sizing.page import page
from monitor.web.sizing.shown import Shown

FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RULES = {"runOnly": {"type": "tag", "values": TAGS}}
HOME = Case(
    use=Use.DOMESTIC, parts=(Part(0.15),), hot=60.0, supply=85 * PSI, relief=150 * PSI, code=Code.US,
    present=PresentTank(5e-3, 40 * PSI),
)  # fmt: skip
LOOP = Case(use=Use.HEATING, parts=(Part(0.6),), hot=75.0, height=9.0, relief=300e3)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium")
    assert program, "chromium is not installed: apt-get install chromium"
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield found
        found.close()


@pytest.mark.parametrize(
    "context",
    [
        {"viewport": {"width": 1280, "height": 900}},
        {"viewport": {"width": 360, "height": 740}, "color_scheme": "dark"},
    ],
)
@pytest.mark.parametrize(("case", "unit"), [(HOME, "psi"), (LOOP, "bar")])
def test_everybody_can_read_the_page(
    browser: Browser, tmp_path: Path, context: dict[str, Any], case: Case, unit: str
) -> None:
    path = tmp_path / "tank.html"
    path.write_text(page(size(case), Shown(unit)), encoding="utf-8")
    one = browser.new_context(**context).new_page()
    asked, complaints = [], []
    one.on("request", lambda ask: asked.append(ask.url))
    one.on("console", lambda said: complaints.append(said.text))
    one.goto(path.as_uri())
    found = Axe().run(one, options=RULES)
    assert found.response["violations"] == [], found.generate_report()
    assert one.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    expect(one.get_by_role("region", name="Calculation")).to_contain_text("smallest")
    one.context.close()
    assert asked == [path.as_uri()]
    assert complaints == []


@pytest.mark.parametrize(("case", "unit"), [(HOME, "psi"), (LOOP, "kPa")])
def test_result_and_source_are_seen_on_a_phone_without_scrolling_sideways(
    browser: Browser, tmp_path: Path, case: Case, unit: str
) -> None:
    path = tmp_path / "tank.html"
    path.write_text(page(size(case), Shown(unit)), encoding="utf-8")
    one = browser.new_context(viewport={"width": 360, "height": 740}).new_page()
    one.goto(path.as_uri())
    steps = one.locator(".steps")
    assert steps.evaluate("box => box.scrollWidth <= box.clientWidth")
    rights = steps.locator("td").evaluate_all(
        "cells => cells.map(cell => cell.getBoundingClientRect().right)"
    )
    assert len(rights) == 4 * len(size(case).steps)
    assert max(rights) <= 360
    expect(steps.locator("tr").nth(1)).to_contain_text("Source: ")
    one.context.close()


def test_nothing_is_cut_off_on_paper(browser: Browser, tmp_path: Path) -> None:
    """A sheet of A4 between its margins is 180 mm wide: 680 px."""
    path = tmp_path / "tank.html"
    path.write_text(page(size(HOME), Shown("psi")), encoding="utf-8")
    one = browser.new_context(viewport={"width": 680, "height": 960}).new_page()
    one.goto(path.as_uri())
    one.emulate_media(media="print", color_scheme="dark")
    assert one.evaluate("document.querySelector('.steps table').scrollWidth <= 680")
    assert one.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert one.pdf(prefer_css_page_size=True).startswith(b"%PDF")
    one.context.close()
