"""The pages of service visits on a real store: form, book, photos, proof, and the same for programs."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from monitor.diagnosis.report import ChargeEstimate, Report, Verdict
from monitor.estimation.samples import FloatArray
from monitor.service.photos import MOST_BYTES, Photo, PhotoKind
from monitor.service.ports import ServiceHealth, SiteView, SourceHealth
from monitor.site import Site, Visit, VisitAction
from monitor.store.sqlite import SqliteStore
from monitor.units import PSI
from monitor.web.server import create_app

NOW = 1_772_546_400.0  # 2026-03-03T14:00:00Z
DAY = 86_400.0
PNG = b"\x89PNG\r\n\x1a\n a gauge"
JPEG = b"\xff\xd8\xff\xe0 a tank"
HOME = Site(
    "home",
    "Weir Street <9>",
    0.0,
    "Europe/Berlin",
    "psi",
    tank_volume=0.008,
    supply=60 * PSI,
    relief=150 * PSI,
)
HELD = Visit(
    NOW - 8 * DAY, VisitAction.REFILLED, 60 * PSI, 60 * PSI, False, 20 * PSI, "", who="A. <b>Fitter</b>"
)


def series(end: float = 411.0) -> tuple[ChargeEstimate, ...]:
    """Return a charge that was low, was refilled eight days ago to 413.7 kPa, and went evenly to ``end``."""
    found = []
    for n in range(-40, 32):
        kpa = 150.0 if n < 0 else 413.7 + (end - 413.7) * n / 31
        found.append(ChargeEstimate(HELD.time + n * DAY / 4 + 60.0, kpa, kpa - 15.0, kpa + 15.0, 100 + n))
    return tuple(found)


class Board:
    """A board with the visits and photos of a real store, and an invented report."""

    def __init__(self, store: SqliteStore) -> None:
        self.store = store
        self.charge = series()

    def sites(self) -> list[SiteView]:
        return [self.site("home")]  # type: ignore[list-item]

    def site(self, site_id: str) -> SiteView | None:
        if site_id != "home":
            return None
        report = Report(
            "home", NOW - 20 * DAY, NOW, 1000, Verdict.HOLDING, "why so", self.charge, 800.0, 413.7, (), (), None,
            NOW - 3600.0, 140,
        )  # fmt: skip
        return SiteView(HOME, report, {}, [], self.store.visits("home"))

    def log_visit(self, site_id: str, visit: Visit, photos: Sequence[Photo]) -> bool:
        return self.store.add_visit(site_id, visit, photos)

    def photos(self, site_id: str) -> Sequence[Any]:
        return self.store.photos(site_id)

    def changes(self, number: int) -> Sequence[Any]:
        return ()

    def pressure(self, site_id: str, start: float, end: float, limit: int) -> tuple[FloatArray, FloatArray]:
        return np.empty(0), np.empty(0)

    def health(self) -> ServiceHealth:
        return ServiceHealth(NOW, SourceHealth(True, True, NOW, ""), 1, 0)

    def photo(self, site_id: str, number: int) -> Photo | None:
        return self.store.photo(site_id, number)


class Clock:
    def now(self) -> float:
        return NOW


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    store = SqliteStore(tmp_path / "store.db")
    yield Board(store)
    store.close()


class Client:
    def __init__(self, board: Board) -> None:
        self._transport = httpx.ASGITransport(create_app(board, Clock()))  # type: ignore[arg-type]

    def ask(self, method: str, path: str, **what: Any) -> httpx.Response:
        async def once() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=self._transport, base_url="http://127.0.0.1:8080"
            ) as client:
                return await client.request(method, path, **what)

        return asyncio.run(once())

    def get(self, path: str, **what: Any) -> httpx.Response:
        return self.ask("GET", path, **what)

    def post(self, path: str, **what: Any) -> httpx.Response:
        return self.ask("POST", path, **what)


@pytest.fixture
def client(board: Board) -> Client:
    return Client(board)


def words(html: str) -> str:
    parts: list[str] = []
    parser = HTMLParser()
    parser.handle_data = parts.append  # type: ignore[method-assign]
    parser.feed(html)
    return " ".join(" ".join(parts).split())


PART = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.png"\r\n\r\n'
FORM = {
    "time": "2026-03-03T14:30", "action": "refilled", "found": "20", "precharge": "60", "supply": "60 psi",
    "water_at_valve": "no", "leak_seen": "no", "leak": "", "tank_volume": "", "who": "A. Fitter", "note": "1\r\n2",
}  # fmt: skip


def test_the_form_leads_through_the_steps_with_what_to_mind(client: Client) -> None:
    html = client.get("/sites/home/visit").text
    told = words(html)
    heads = re.findall(r"<h2>(.*?)</h2>", html)
    assert heads.index("Heat off") < heads.index("Shut the supply") < heads.index("Relieve the water side")
    assert heads.index("Gauge the tank") < heads.index("Look for water") < heads.index("Pump or let out air")
    assert heads.index("Check the bracket") < heads.index("Look for leaks") < heads.index("Heat on")
    for text in (
        "Never plug, cap or shut off a relief valve",
        "Local codes decide",
        "never above the greatest precharge",
    ):
        assert text in told
    for name in (*FORM, "photo"):
        assert f'name="{name}"' in html
    assert 'value="2026-03-03T15:00"' in html  # now, in Berlin
    assert "60.0 psi by the site file" in told
    assert client.get("/sites/nowhere/visit").status_code == 404


def test_a_form_with_photos_logs_the_visit(client: Client, board: Board) -> None:
    files = [("photo", ("gauge.html", PNG, "text/html")), ("photo", ("tank.jpg", JPEG, "image/jpeg"))]
    answer = client.post("/sites/home/visits", data=FORM, files=files)
    assert (answer.status_code, answer.headers["location"]) == (
        303, "/sites/home/visits?logged=2026-03-03T13:30:00Z",
    )  # fmt: skip
    (one,) = board.store.visits("home")
    assert one == Visit(
        NOW - 1800.0,
        VisitAction.REFILLED,
        60 * PSI,
        60 * PSI,
        False,
        20 * PSI,
        "",
        None,
        "A. Fitter",
        "1\n2",
    )
    assert [note.kind for note in board.store.photos("home")] == [PhotoKind.PNG, PhotoKind.JPEG]
    told = words(client.get(answer.headers["location"]).text)
    assert "The visit is logged" in told
    assert "Watch running, day 1 of 7" in told
    assert "Photo 1 , Photo 2" in told


def test_a_plain_form_without_photos_will_do_and_twice_is_once(client: Client, board: Board) -> None:
    for _ in range(2):
        assert client.post("/sites/home/visits", data=FORM).status_code == 303
    assert len(board.store.visits("home")) == 1
    other = client.post("/sites/home/visits", data={**FORM, "precharge": "50"})
    assert other.status_code == 422
    assert "another visit with this action is logged for this moment" in words(other.text)


def test_a_photo_that_comes_after_its_visit_is_not_lost_without_a_word(client: Client) -> None:
    client.post("/sites/home/visits", data=FORM)
    late = client.post("/sites/home/visits", data=FORM, files=[("photo", ("g.png", PNG, "image/png"))])
    assert late.status_code == 422


def test_mistakes_are_told_beside_their_fields_and_what_was_written_stays(
    client: Client, board: Board
) -> None:
    wrong = {**FORM, "precharge": "600", "leak_seen": "yes", "leak": '"><script>', "note": "kept </textarea>"}
    answer = client.post(
        "/sites/home/visits", data=wrong, files=[("photo", ("x.png", b"<html>", "image/png"))]
    )
    assert answer.status_code == 422
    told = words(answer.text)
    assert "Air charge as you left it : '600': allowed: 0 bar to 10 bar" in told
    assert "Photos : 'x.png': this is neither a JPEG nor a PNG" in told
    assert 'value="600"' in answer.text
    assert 'value="2026-03-03T14:30"' in answer.text
    assert 'name="leak_seen" value="yes" checked' in answer.text
    assert "<script>" not in answer.text
    assert "kept &lt;/textarea&gt;" in answer.text
    assert board.store.visits("home") == []


@pytest.mark.parametrize("origin", ["http://evil.example", "null"])
@pytest.mark.parametrize("path", ["/sites/home/visits", "/api/sites/home/visits"])
def test_another_site_cannot_log_a_visit(client: Client, board: Board, path: str, origin: str) -> None:
    assert client.post(path, data=FORM, headers={"origin": origin}).status_code == 403
    assert board.store.visits("home") == []


@pytest.mark.parametrize(
    ("content", "body", "status"),
    [
        ("text/plain", b"action=looked", 415),
        ("multipart/form-data", b"x", 400),
        ("multipart/form-data; boundary=x", b"--x\r\nnonsense", 422),
        ("application/x-www-form-urlencoded", b"note=" + b"x" * 70_000, 413),
        ("multipart/form-data; boundary=x", PART + bytes(4 * MOST_BYTES + 70_000), 413),
    ],
)
def test_what_is_no_form_is_refused(
    client: Client, board: Board, content: str, body: bytes, status: int
) -> None:
    answer = client.post("/sites/home/visits", content=body, headers={"content-type": content})
    assert answer.status_code == status
    assert board.store.visits("home") == []


def test_a_photo_that_is_too_large_is_told_with_what_to_do(client: Client, board: Board) -> None:
    files = [("photo", ("g.png", PNG + bytes(MOST_BYTES), "image/png"))]
    answer = client.post("/sites/home/visits", data=FORM, files=files)
    assert answer.status_code == 422
    assert "5.0 MB; a photo may have 5 MB: make it smaller" in words(answer.text)
    assert board.store.visits("home") == []


def test_too_many_photos_are_refused(client: Client, board: Board) -> None:
    files = [("photo", (f"{n}.png", PNG, "image/png")) for n in range(5)]
    assert client.post("/sites/home/visits", data=FORM, files=files).status_code == 400
    assert board.store.visits("home") == []


def test_a_photo_is_served_as_a_picture_and_nothing_else(client: Client, board: Board) -> None:
    board.store.add_visit("home", HELD, [Photo(PhotoKind.PNG, PNG)])
    answer = client.get("/sites/home/photos/1")
    assert answer.content == PNG
    assert answer.headers["content-type"] == "image/png"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert "sandbox" in answer.headers["content-security-policy"]
    assert client.get("/sites/home/photos/2").status_code == 404
    assert client.get("/sites/other/photos/1").status_code == 404
    assert client.get("/sites/home/photos/x").status_code == 422


def test_the_book_and_the_page_of_the_site_tell_the_watch(client: Client, board: Board) -> None:
    board.store.add_visit("home", HELD)
    book = client.get("/sites/home/visits").text
    assert "Held" in words(book)
    assert 'href="/sites/home/proof?visit=2026-02-23T14:00:00Z"' in book
    assert "A. <b>Fitter</b>" in words(book)
    board.charge = series(330.0)
    told = words(client.get("/parts/sites/home").text)
    assert "Advice after the last visit: Replace the tank. The charge fell again" in told
    assert "Fallen again" in told
    assert client.get("/sites/home/proof").status_code == 404


def test_the_proof_is_one_page_that_needs_nothing_else(client: Client, board: Board) -> None:
    board.store.add_visit("home", HELD, [Photo(PhotoKind.PNG, PNG)])
    answer = client.get("/sites/home/proof?visit=2026-02-23T14:00:00Z")
    assert answer.status_code == 200
    html, told = answer.text, words(answer.text)
    assert answer.headers["content-security-policy"].startswith(
        "default-src 'none'; style-src 'unsafe-inline'"
    )
    assert re.findall(r'(?:src|href)="(?!#)[^"]*"', html) == []
    assert "<script" not in html
    assert html.count("<svg") == 2
    for text in (
        "The refill held for 7 days", "Weir Street <9>", "Watched from 23 Feb 2026, 15:00 CET to 2 Mar 2026, 15:00 CET",
        "Found by gauge 20.0 psi", "Left by the visit, by gauge 60.0 psi", "What remote readings cannot tell",
        "Never plug or cap one", "A. <b>Fitter</b>", hashlib.sha256(PNG).hexdigest(), "Made on 3 Mar 2026",
    ):  # fmt: skip
        assert text in told
    parts: list[str] = []
    parser = HTMLParser()
    parser.handle_data = parts.append  # type: ignore[method-assign]
    parser.feed(html[html.index('<pre id="facts">') : html.index("</pre>")])
    facts = "".join(parts)
    assert hashlib.sha256(facts.encode()).hexdigest() in told
    assert json.loads(facts)["visit"]["left_kpa"] == 413.7
    assert client.get("/sites/home/proof").text == html  # the last visit


@pytest.mark.parametrize(
    ("query", "why"),
    [
        ("", "no visit that gauged or changed the charge"),
        ("?visit=2026-01-01T00:00:00Z", "no such visit at 2026-01-01T00:00:00Z"),
        ("?visit=yesterday", "is no time"),
    ],
)
def test_a_proof_of_nothing_says_so(client: Client, query: str, why: str) -> None:
    answer = client.get(f"/sites/home/proof{query}")
    assert answer.status_code == 404
    assert why in words(answer.text)


def test_a_watch_that_runs_says_what_is_missing_for_a_proof(client: Client, board: Board) -> None:
    board.store.add_visit("home", Visit(NOW - 2 * DAY, VisitAction.REFILLED, 60 * PSI))
    told = words(client.get("/sites/home/proof").text)
    assert "There is no proof that this visit held" in told
    assert "The watch is not over: this is day 3 of 7, and it ends 8 March 2026, 15:00 CET." in told


API = "/api/sites/home/visits"


def test_programs_log_and_read_visits(client: Client, board: Board) -> None:
    told = {
        "time": "2026-03-03T13:00:00Z", "action": "replaced", "precharge": "60 psi", "water_at_valve": True,
        "leak": "", "tank_volume": "12 L", "found": None, "photos": [base64.b64encode(JPEG).decode()],
    }  # fmt: skip
    answer = client.post(API, json=told)
    assert answer.status_code == 201
    assert answer.json()["visit"]["tank_volume_litres"] == 12.0
    assert "write 12 L there (tank.volume)" in " ".join(answer.json()["follows"])
    assert client.post(API, json=told).status_code == 200
    assert client.post(API, json={**told, "precharge": "50 psi"}).status_code == 409
    (one,) = client.get(API).json()["visits"]
    assert (one["action"], one["leak"], one["found_kpa"], one["water_at_valve"]) == (
        "replaced",
        "",
        None,
        True,
    )
    assert one["photos"][0]["sha256"] == hashlib.sha256(JPEG).hexdigest()
    assert (one["watch"]["state"], one["watch"]["day"], one["watch"]["days"]) == ("running", 1, 7)
    assert client.get(API).json()["advice"]["advice"] == "wait"


@pytest.mark.parametrize(
    ("body", "status", "why"),
    [
        (b"{", 400, "no JSON"),
        (b"[]", 400, "JSON object is needed"),
        (b'{"action": "gauged", "precharge": 60}', 422, "write it as text with its unit"),
        (b'{"action": "gauged", "precharge": "60", "colour": "red"}', 422, "colour"),
        (b'{"action": "looked", "photos": ["!"]}', 422, "photo 1 is no base64"),
        (b'{"action": "looked", "photos": ["YWJj"]}', 422, "neither a JPEG nor a PNG"),
        (b'{"action": "looked", "photos": "YWJj"}', 422, "a list of at most 4"),
        (b'{"action": "gauged"}', 422, "is needed for gauged"),
        (b"[" * 100_000, 400, "no JSON"),
        (b"\xff", 400, "no JSON"),
    ],
)
def test_what_programs_send_wrong_is_told(client: Client, body: bytes, status: int, why: str) -> None:
    answer = client.post(API, content=body, headers={"content-type": "application/json"})
    assert answer.status_code == status
    assert why in answer.json()["error"]


def test_programs_send_json(client: Client) -> None:
    assert client.post(API, data={"action": "looked"}).status_code == 415
    assert client.post("/api/sites/nowhere/visits", json={}).status_code == 404
