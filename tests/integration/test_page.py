"""The page in a real browser, on a real service: what a person sees, what leaves the machine, who can read it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from axe_playwright_python.sync_playwright import Axe
from broker import Broker, running_broker
from playwright.sync_api import Browser, Page, expect, sync_playwright
from running import Folder, publish, service

from monitor.readings import Point, Reading, default_topic, encode_sample
from monitor.service.clock import SystemClock
from simulator.catalogue import PLANTS
from simulator.files import site_toml
from simulator.recording import Recording, simulate

DAY = 86400.0
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RULES = {"runOnly": {"type": "tag", "values": TAGS}}


class Running(NamedTuple):
    home: Folder
    broker: Broker


def readings(run: Recording) -> Iterator[Reading]:
    columns = {Point.PRESSURE: run.pressure, Point.HEATER: run.heater, Point.TEMPERATURE: run.temperature}
    for point, values in columns.items():
        for when, value in zip(run.time.tolist(), values.tolist(), strict=True):
            if value == value:  # noqa: PLR0124 - not NaN
                yield Reading(run.spec.id, point, round(when, 3), value)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """Run a service that has watched a waterlogged home and a healthy one for three days."""
    folder = tmp_path_factory.mktemp("page")
    specs = [
        replace(PLANTS["waterlogged"](), name="Weir Street 9"),
        replace(PLANTS["home-healthy"](), name="<b>Tannery</b> Yard & Sons"),
    ]
    epoch = SystemClock().now() // 10 * 10 - 3 * DAY
    with running_broker(folder) as broker:
        home = Folder(folder / "service", broker, *(site_toml(spec) for spec in specs))
        (home.path / "var").mkdir()
        store = home.store()
        for spec in specs:
            store.commit(list(readings(simulate(spec, 3, 1, epoch))), [])
        store.close()
        with service(home):
            yield Running(home, broker)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium")
    assert program, "chromium is not installed: apt-get install chromium"
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield found
        found.close()


class Visitor(NamedTuple):
    """A page that writes down what it should not have to."""

    page: Page
    foreign: list[str]
    complaints: list[str]


def visitor(browser: Browser, running: Running, **context: Any) -> Visitor:
    page = browser.new_context(base_url=running.home.url, **context).new_page()
    one = Visitor(page, [], [])
    page.on(
        "request",
        lambda ask: None if ask.url.startswith(f"{running.home.url}/") else one.foreign.append(ask.url),
    )
    page.on("console", lambda said: one.complaints.append(said.text))
    page.on("pageerror", lambda error: one.complaints.append(str(error)))
    return one


@pytest.fixture
def desk(browser: Browser, running: Running) -> Iterator[Visitor]:
    one = visitor(browser, running, viewport={"width": 1280, "height": 900})
    yield one
    one.page.context.close()
    assert one.foreign == []
    assert one.complaints == []


def test_sites_stand_in_words_with_the_fault_first(desk: Visitor, running: Running) -> None:
    desk.page.goto("/")
    sites = desk.page.locator(".site")
    expect(sites).to_have_count(2)
    expect(sites.nth(0)).to_contain_text("Expansion tank has lost its air cushion")
    expect(sites.nth(0)).to_contain_text("Do first:")
    expect(sites.nth(0)).to_contain_text("Weir Street 9")
    expect(sites.nth(1)).to_contain_text("<b>Tannery</b> Yard & Sons")
    desk.page.get_by_role("link", name="Weir Street 9").click()
    expect(desk.page.get_by_role("heading", level=1)).to_have_text("Weir Street 9")
    expect(desk.page.locator("svg.chart:visible")).to_have_count(2)
    for word in ("Seen", "If nothing is done", "Do first", "Pump setting", "Caution", "never"):
        expect(desk.page.locator("article.event").first).to_contain_text(word)


def test_a_new_reading_appears_without_a_reload(desk: Visitor, running: Running) -> None:
    desk.page.goto("/sites/home-healthy")
    desk.page.evaluate("window.here = true")
    desk.page.locator("#daily summary").click()
    topic = default_topic("home-healthy", Point.TEMPERATURE)
    publish(running.broker, [(topic, encode_sample(SystemClock().now(), 61.5, "degC"))])
    expect(desk.page.get_by_role("cell", name="61.5 °C")).to_be_visible(timeout=10_000)
    assert desk.page.evaluate("window.here") is True
    # What a person has opened stays open.
    expect(desk.page.locator("#daily table")).to_be_visible()


def test_updates_can_be_paused_and_their_loss_is_told(desk: Visitor, running: Running) -> None:
    desk.page.goto("/")
    status = desk.page.get_by_role("status")
    expect(status).to_contain_text("Live")
    desk.page.get_by_role("button", name="Pause live updates").click()
    expect(status).to_contain_text("Updates are paused")
    asked: list[str] = []
    desk.page.on("request", lambda ask: asked.append(ask.url))
    desk.page.wait_for_timeout(2500)
    assert asked == []
    desk.page.route("**/parts/**", lambda route: route.abort())
    desk.page.get_by_role("button", name="Go on with live updates").click()
    expect(status).to_contain_text("No answer from the service; this may be old")
    desk.complaints.clear()  # the browser itself reports the request that this test broke
    desk.page.unroute("**/parts/**")
    expect(status).to_contain_text("Live", timeout=10_000)


def test_a_shape_is_there_at_once_after_an_update(desk: Visitor, running: Running) -> None:
    desk.page.goto("/")
    shapes = "[...document.querySelectorAll('.word use')].map((one) => one.getBBox().width)"
    swapped = f"() => {{ const part = document.querySelector('[data-live]'); part.innerHTML += ''; return {shapes}; }}"
    widths = desk.page.evaluate(swapped)
    assert len(widths) == 2
    assert min(widths) >= 18


def test_an_event_is_taken_by_keyboard(desk: Visitor, running: Running) -> None:
    desk.page.goto("/sites/waterlogged")
    card = desk.page.locator("article.event").first
    card.get_by_label("Your name").focus()
    desk.page.keyboard.type("Ada B.")
    desk.page.wait_for_timeout(2500)  # an update must not take the name away
    desk.page.keyboard.press("Tab")
    desk.page.keyboard.press("Enter")
    expect(desk.page.locator("article.event").first).to_contain_text("Taken by Ada B., ")
    store = running.home.store()
    number = store.events("waterlogged")[0].number
    assert [change.who for change in store.event_changes(number)][-1] == "Ada B."
    store.close()


def test_an_event_is_shelved_by_keyboard_and_what_was_typed_outlives_an_update(
    desk: Visitor, running: Running
) -> None:
    desk.page.goto("/sites/waterlogged")
    store = running.home.store()
    number = store.events("waterlogged")[0].number
    summary = desk.page.locator(f"#shelve-{number} summary")
    summary.focus()
    desk.page.keyboard.press("Enter")
    desk.page.keyboard.press("Tab")
    for text in ("Ada B.", "new tank on Friday"):
        desk.page.keyboard.type(text)
        desk.page.keyboard.press("Tab")
    desk.page.get_by_role("button", name="Pause live updates").focus()
    publish(
        running.broker,
        [(default_topic("waterlogged", Point.PRESSURE), encode_sample(SystemClock().now(), 3.0, "bar"))],
    )
    desk.page.wait_for_timeout(4500)  # two looks for news, which come without the focus in the form
    expect(desk.page.locator(f"#shelve-{number}-why")).to_have_value("new tank on Friday")
    button = desk.page.locator(f"#shelve-{number}").get_by_role("button", name="Shelve")
    button.focus()
    desk.page.keyboard.press("Enter")  # the relief valve discharges: the browser asks for the box first
    expect(desk.page.locator(f"#shelve-{number}-urgent")).to_be_focused()
    desk.page.keyboard.press("Space")
    button.focus()
    desk.page.keyboard.press("Enter")
    expect(desk.page.locator(f"#event-{number}")).to_contain_text("by Ada B.: new tank on Friday.")
    event = store.event(number)
    assert event is not None
    assert event.shelf is not None
    store.unshelve_event(number, "Ada B.", SystemClock().now(), "end of the test")
    store.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 320])
@pytest.mark.parametrize("path", ["/", "/sites/waterlogged", "/sites/home-healthy", "/sites/nowhere"])
def test_everybody_can_read_it(
    browser: Browser, running: Running, tmp_path: Path, path: str, width: int, scheme: str
) -> None:
    one = visitor(browser, running, viewport={"width": width, "height": 844}, color_scheme=scheme)
    one.page.goto(path)
    for details in one.page.locator("details").all():
        details.evaluate("one => one.open = true")
    assert one.page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(one.page, options=RULES)
    assert found.response["violations"] == [], found.generate_report()
    shot = tmp_path / "page.png"
    one.page.screenshot(path=shot, full_page=True)
    assert shot.stat().st_size > 10_000
    one.page.context.close()
    assert one.foreign == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_work_on_site_can_be_read_and_done_by_everybody(
    browser: Browser, running: Running, scheme: str
) -> None:
    """Taken out and put back by the forms, with the keyboard, at the width of a phone."""
    one = visitor(browser, running, viewport={"width": 320, "height": 844}, color_scheme=scheme)
    one.page.goto("/sites/home-healthy")
    one.page.locator("#out summary").press("Enter")
    one.page.locator("#out-who").fill("Ada B.")
    one.page.locator("#out-why").fill("a very long reason, " * 9)
    one.page.locator("#out-point").select_option("heater")
    one.page.locator("#out").get_by_role("button", name="Out of service").press("Enter")
    expect(one.page.locator("section.work")).to_contain_text("Heater out of service since")
    for path in ("/sites/home-healthy", "/"):
        one.page.goto(path)
        expect(one.page.locator("section.work")).to_contain_text("taken out by Ada B.")
        for details in one.page.locator("details").all():
            details.evaluate("one => one.open = true")
        assert one.page.evaluate("document.documentElement.scrollWidth") <= 320
        found = Axe().run(one.page, options=RULES)
        assert found.response["violations"] == [], found.generate_report()
    one.page.get_by_role("link", name="<b>Tannery</b> Yard & Sons").first.click()
    back = one.page.locator("details[id^=back-]")
    back.locator("summary").press("Enter")
    back.get_by_label("Who").fill("Ada B.")
    back.get_by_label("Why").fill("done")
    back.get_by_role("button", name="Back in service").press("Enter")
    expect(one.page.locator("section.work")).to_have_count(0)
    one.page.context.close()
    assert one.foreign == []


def test_without_script_the_page_still_tells_everything(browser: Browser, running: Running) -> None:
    one = visitor(browser, running, java_script_enabled=False)
    one.page.goto("/")
    expect(one.page.locator(".site")).to_have_count(2)
    one.page.get_by_role("link", name="Weir Street 9").click()
    expect(one.page.get_by_role("heading", level=1)).to_have_text("Weir Street 9")
    one.page.context.close()
    assert one.foreign == one.complaints == []
