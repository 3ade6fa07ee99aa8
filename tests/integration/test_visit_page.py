"""A technician with a phone: a real service, a real browser, from the alert on the page to the proof."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from broker import running_broker
from playwright.sync_api import Browser, Page, expect, sync_playwright
from running import Folder, service

from monitor.readings import Point, Reading
from monitor.service.clock import SystemClock
from monitor.service.photos import Photo, PhotoKind
from monitor.site import Visit, VisitAction
from tests.plants.cases import PSI, SIXTY, Case, cases, jumping, losing
from tests.plants.write import plant, site_text

DAY = 86_400.0
OPENED = 4.4 * DAY
DAYS = 11.9
DONE = OPENED + 1200
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RULES = {"runOnly": {"type": "tag", "values": TAGS}}
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c6360f8cf500f0003860180"
    "5a349d6b0000000049454e44ae426082"
)


def plants() -> list[Case]:
    """Return a tank that holds its refill and one that loses it."""
    made = cases()["refill_day7"]
    holds = replace(
        made,
        days=DAYS,
        name="weir-street-9",
        summary="Weir Street 9",
        charge=jumping(20 * PSI, SIXTY, DONE),
        open_spans=((OPENED, OPENED + 2400),),
        sensor=replace(made.sensor, every=20.0),
    )
    course = losing(SIXTY, 0.05, from_day=DONE / DAY)
    leaky = replace(
        holds,
        name="tannery",
        summary="Tannery Yard",
        charge=lambda time: np.where(time < DONE, 20 * PSI, course(time)),
    )
    return [holds, leaky]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Folder]:
    folder = tmp_path_factory.mktemp("visits")
    start = SystemClock().now() - DAYS * DAY
    with running_broker(folder) as broker:
        found = Folder(folder / "service", broker, *(site_text(case) for case in plants()))
        (found.path / "var").mkdir()
        store = found.store()
        for case in plants():
            result = plant(case, 1)
            for point in (Point.PRESSURE, Point.HEATER):
                store.commit(
                    [
                        Reading(case.name, point, round(start + time, 3), value)
                        for time, value in zip(
                            result["time"].tolist(), result[point.value].tolist(), strict=True
                        )
                    ],
                    [],
                )
            done = round(start + OPENED + 2400)
            visit = Visit(
                done, VisitAction.REFILLED, 60e3 * PSI, 60e3 * PSI, False, 20e3 * PSI, "", who="A. Fitter"
            )
            store.add_visit(case.name, visit)
        store.close()
        with service(found):
            yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium")
    assert program, "chromium is not installed: apt-get install chromium"
    with sync_playwright() as playwright:
        one = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield one
        one.close()


class Phone(NamedTuple):
    page: Page
    foreign: list[str]
    complaints: list[str]


@pytest.fixture
def phone(browser: Browser, home: Folder) -> Iterator[Phone]:
    context = browser.new_context(
        base_url=home.url, viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True
    )
    one = Phone(context.new_page(), [], [])
    one.page.on(
        "request", lambda ask: None if ask.url.startswith(f"{home.url}/") else one.foreign.append(ask.url)
    )
    one.page.on("console", lambda said: one.complaints.append(said.text))
    one.page.on("pageerror", lambda error: one.complaints.append(str(error)))
    yield one
    context.close()
    assert one.foreign == []
    # The browser itself reports the answers that say that something is wrong or not there.
    assert [text for text in one.complaints if "Failed to load resource" not in text] == []


def fits(page: Page) -> None:
    """Check that nothing runs over the side, and that everybody can read it."""
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    found = Axe().run(page, options=RULES)
    assert found.response["violations"] == [], found.generate_report()


def test_a_fall_is_told_with_what_to_do(phone: Phone) -> None:
    phone.page.goto("/sites/tannery")
    visits = phone.page.locator("section", has=phone.page.get_by_role("heading", name="Service visits"))
    expect(visits).to_contain_text("Advice after the last visit: Replace the tank. The charge fell again")
    expect(visits).to_contain_text("Fallen again")
    expect(phone.page.locator("article.event").first).to_contain_text(
        "Replace the tank, never by a smaller one"
    )
    fits(phone.page)
    phone.page.goto("/sites/tannery/proof")
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("There is no proof that this visit held")


def test_a_refill_that_held_has_its_proof(phone: Phone) -> None:
    phone.page.goto("/sites/weir-street-9/visits")
    phone.page.get_by_role("link", name="Proof to print or send").click()
    expect(phone.page.get_by_role("heading", level=1)).to_have_text("The refill held for 7 days")
    expect(phone.page.locator("svg:visible")).to_have_count(1)
    fits(phone.page)
    phone.page.emulate_media(media="print")
    assert phone.page.pdf(format="A4").startswith(b"%PDF")


def test_a_visit_is_logged_by_a_phone_step_by_step(phone: Phone, home: Folder) -> None:
    page = phone.page
    page.goto("/sites/weir-street-9")
    page.get_by_role("link", name="Log a visit, with its steps").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("A visit to the tank")
    fits(page)
    for name in ("Log the visit", "Yes", "No"):
        assert (page.get_by_text(name, exact=True).first.bounding_box() or {"height": 0})["height"] >= 24
    page.get_by_label("Line pressure at rest").fill("61")
    page.get_by_label("Air charge as found").fill("40")
    page.get_by_role("group", name="Did water come").get_by_label("Yes").check()
    page.get_by_label("Air charge as you left it").fill("610")
    page.get_by_label("Tank replaced").check()
    page.get_by_label("Volume of the new tank").fill("12 L")
    page.get_by_role("group", name="Was a leak seen").get_by_label("No", exact=True).check()
    page.get_by_label("Who was there").fill("A. Fitter")
    page.get_by_role("button", name="Log the visit").click()
    expect(page.get_by_role("alert")).to_contain_text(
        "Air charge as you left it: '610': allowed: 0 bar to 10 bar"
    )
    fits(page)
    page.get_by_label("Air charge as you left it").fill("61")
    page.get_by_label("Photos").set_input_files(
        [{"name": "gauge.png", "mimeType": "image/png", "buffer": PNG}]
    )
    page.get_by_role("button", name="Log the visit").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("The visit is logged")
    expect(page.get_by_text("write 12 L there (tank.volume)")).to_be_visible()
    fits(page)
    store = home.store()
    newest = store.visits("weir-street-9")[-1]
    assert (newest.action, newest.water_at_valve, newest.leak) == (VisitAction.REPLACED, True, "")
    assert newest.tank_volume == pytest.approx(0.012)
    assert store.photo("weir-street-9", store.photos("weir-street-9")[0].number).body == PNG  # type: ignore[union-attr]
    store.close()
    page.goto("/sites/weir-street-9")
    expect(page.get_by_text("Watch running, day 1 of 7")).to_be_visible()


def test_a_photo_opens_as_a_picture(phone: Phone, home: Folder) -> None:
    store = home.store()
    store.add_visit(
        "tannery",
        Visit(SystemClock().now() - 60, VisitAction.LOOKED, leak=""),
        [Photo(PhotoKind.PNG, PNG)],
    )
    number = store.photos("tannery")[-1].number
    store.close()
    phone.page.goto("/sites/tannery/visits")
    phone.page.get_by_role("link", name="Photo 1").first.click()
    assert phone.page.url.endswith(f"/sites/tannery/photos/{number}")
    assert phone.page.evaluate("document.images[0].naturalWidth") == 1
