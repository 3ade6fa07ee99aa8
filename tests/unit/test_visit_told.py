"""What people tell of a visit: each field, each mistake, all at once; photos by their first bytes."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import InputError
from monitor.service.photos import MOST_BYTES, PhotoKind, photo_of
from monitor.service.visits import FIELDS, VisitError, local_time, visit_of
from monitor.site import Site, Visit, VisitAction
from monitor.units import PSI

NOW = datetime(2026, 3, 3, 14, tzinfo=UTC).timestamp()
HOME = Site("home", unit="psi", timezone="Europe/London", supply=60 * PSI, relief=150 * PSI)


def told(site: Site = HOME, photos: int = 0, **fields: str) -> Visit:
    return visit_of(site, fields, NOW, photos=photos)


def wrong(**fields: str) -> list[tuple[str, str]]:
    with pytest.raises(VisitError) as caught:
        told(**fields)
    return [(one.field, one.why) for one in caught.value.problems]


def test_everything_that_can_be_told() -> None:
    one = told(
        time="2026-03-01T09:30:00+01:00", action="Replaced", found="0", precharge="60", supply="4.1 bar",
        water_at_valve="yes", leak="at the  joint", tank_volume="2 gal", who=" A.  Fitter ", note="rust\r\nold ",
    )  # fmt: skip
    assert one == Visit(
        datetime(2026, 3, 1, 8, 30, tzinfo=UTC).timestamp(), VisitAction.REPLACED, 60 * PSI, pytest.approx(410_000.0),
        True, 0.0, "at the joint", pytest.approx(7.5708e-3, rel=1e-4), "A. Fitter", "rust\nold",
    )  # fmt: skip


def test_nothing_is_asked_for_that_nobody_looked_at() -> None:
    assert told(action="refilled") == Visit(NOW, VisitAction.REFILLED)
    assert told(action="looked", leak="no") == Visit(NOW, VisitAction.LOOKED, leak="")
    assert told(action="looked", photos=1) == Visit(NOW, VisitAction.LOOKED)
    assert told(action="gauged", found="58") == told(action="gauged", precharge="58")
    assert told(action="gauged", found="58 psi", precharge="4 bar").before == pytest.approx(400_000.0)


@pytest.mark.parametrize("text", ["4,1 bar", "4.1 bar", " 4,1  bar "])
def test_a_decimal_comma_is_read(text: str) -> None:
    assert told(action="gauged", precharge=text).precharge == pytest.approx(410_000.0)


@pytest.mark.parametrize(
    ("fields", "field", "why"),
    [
        ({}, "action", "'': allowed: gauged, refilled, replaced, looked"),
        ({"action": "polished"}, "action", "'polished': allowed: gauged"),
        ({"action": "gauged"}, "precharge", "is needed for gauged"),
        ({"action": "gauged", "found": "50", "precharge": "60"}, "found", "the action is refilled"),
        ({"action": "looked"}, "", "there is nothing to log"),
        ({"action": "looked", "found": "3"}, "found", "so the action is gauged"),
        ({"action": "looked", "precharge": "3"}, "precharge", "so the action is gauged"),
        (
            {"action": "refilled", "precharge": "600"},
            "precharge",
            "'600': allowed: 0 bar to 10 bar; pressures are gauge",
        ),
        ({"action": "refilled", "precharge": "-1"}, "precharge", "'-1'"),
        ({"action": "refilled", "precharge": "60 psig"}, "precharge", "write the unit alone"),
        ({"action": "refilled", "precharge": "1,000 kPa"}, "precharge", "decimal one or one of thousands"),
        ({"action": "refilled", "precharge": "nan"}, "precharge", "'nan'"),
        ({"action": "refilled", "precharge": "60", "supply": "sixty"}, "supply", "'sixty'"),
        (
            {"action": "refilled", "water_at_valve": "perhaps"},
            "water_at_valve",
            "allowed: yes, no, or nothing",
        ),
        ({"action": "refilled", "tank_volume": "8 L"}, "tank_volume", "so the action is replaced"),
        ({"action": "replaced", "tank_volume": "8"}, "tank_volume", "is no volume"),
        ({"action": "replaced", "tank_volume": "80 m3"}, "tank_volume", "allowed: 0.1 L to 50 m3"),
        (
            {"action": "refilled", "time": "2026-03-04T00:00:00Z"},
            "time",
            "is not a time between 1970 and now",
        ),
        ({"action": "refilled", "time": "2026-03-01T00:00:00"}, "time", "has no offset"),
        ({"action": "refilled", "who": "x" * 81}, "who", "at most 80 printable"),
        ({"action": "refilled", "who": "a\x1b[2J"}, "who", "printable"),
        ({"action": "refilled", "leak": "x" * 201}, "leak", "at most 200"),
        ({"action": "refilled", "note": "x" * 2001}, "note", "at most 2000"),
        ({"action": "refilled", "note": "bell\a"}, "note", "printable"),
        ({"action": "refilled", "pressure": "60"}, "pressure", "is not known; known are time, action"),
    ],
)
def test_a_mistake_is_told_by_its_field(fields: dict[str, str], field: str, why: str) -> None:
    ((found, said),) = wrong(**fields)
    assert found == field
    assert why in said


def test_a_charge_above_the_relief_setting_may_be_found_but_not_left() -> None:
    high = Site("high", unit="psi", relief=100 * PSI)
    assert told(high, action="refilled", found="120", precharge="60").found == pytest.approx(120 * PSI)
    with pytest.raises(
        VisitError, match=r"precharge '120': above the relief setting of this site, 100\.0 psi"
    ):
        told(high, action="refilled", precharge="120")


def test_all_mistakes_are_told_at_once() -> None:
    assert [field for field, _ in wrong(action="x", found="x", supply="x", time="x")] == [
        "action", "found", "time", "supply",
    ]  # fmt: skip


@given(st.dictionaries(st.sampled_from(FIELDS), st.text(max_size=40)))
def test_any_text_is_a_visit_or_refused(fields: dict[str, str]) -> None:
    try:
        one = visit_of(HOME, fields, NOW)
    except VisitError:
        return
    assert 0 <= one.time <= NOW + 300
    assert one.precharge is None or 0 <= one.precharge <= 150 * PSI


def test_a_time_of_a_form_is_on_the_wall_clock_of_the_site() -> None:
    london = ZoneInfo("Europe/London")

    def zone(when: datetime) -> datetime:
        return when.replace(tzinfo=london)

    assert local_time("2026-07-01T12:00", zone) == "2026-07-01T12:00:00+01:00"
    assert local_time("2026-07-01T12:00:00+02:00", zone) == "2026-07-01T12:00:00+02:00"
    assert local_time("noon", zone) == "noon"


@pytest.mark.parametrize(
    ("body", "kind"), [(b"\xff\xd8\xff\xe1...", PhotoKind.JPEG), (b"\x89PNG\r\n\x1a\n...", PhotoKind.PNG)]
)
def test_a_photo_is_known_by_its_first_bytes(body: bytes, kind: PhotoKind) -> None:
    one = photo_of(body, "x.html")
    assert (one.kind, one.body, one.media_type) == (kind, body, f"image/{kind}")


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"<svg onload=alert(1)>", "neither a JPEG nor a PNG"),
        (b"", "neither a JPEG nor a PNG"),
        (b"GIF89a", "neither a JPEG nor a PNG"),
        (b"\xff\xd8\xff" + bytes(MOST_BYTES - 2), "5.0 MB; a photo may have 5 MB"),
    ],
)
def test_what_is_no_photo_is_refused(body: bytes, why: str) -> None:
    with pytest.raises(InputError, match=why):
        photo_of(body, "x.png")


def test_a_photo_may_be_just_as_large_as_is_allowed() -> None:
    assert photo_of(b"\xff\xd8\xff" + bytes(MOST_BYTES - 3), "x.jpg").kind is PhotoKind.JPEG
