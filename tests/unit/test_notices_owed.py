"""Which notices wait, which are on their way, and which the broker has; the connection is a list."""

from __future__ import annotations

import pytest

from monitor.ingest import notices
from monitor.ingest.notices import ON_THEIR_WAY, Notice, Notices


class Connection:
    """Takes notices while it is up, and numbers them."""

    def __init__(self) -> None:
        self.up = True
        self.sent: list[tuple[str, bytes]] = []
        self.refused: list[tuple[str, str]] = []
        self.notices = Notices(self.send, lambda name, why: self.refused.append((name, why)))

    def send(self, name: str, notice: Notice) -> int | None:
        if not self.up:
            return None
        self.sent.append((name, notice.payload))
        return len(self.sent)

    def put(self, name: str, payload: bytes = b"x", *, retain: bool = True) -> None:
        self.notices.put(name, Notice(payload, retain))


def test_nothing_is_sent_before_a_connection_and_the_newest_of_a_name_then():
    line = Connection()
    for payload in (b"1", b"2", b"3"):
        line.put("a", payload)
    assert line.sent == []
    line.notices.opened()
    assert line.sent == [("a", b"3")]
    assert not line.notices.settled
    line.notices.confirmed(1)
    assert line.notices.settled


def test_only_a_few_are_on_their_way_and_a_name_waits_once():
    line = Connection()
    line.notices.opened()
    for number in range(3 * ON_THEIR_WAY):
        line.put(f"n{number}")
    line.put("late", b"1")
    line.put("late", b"2")
    assert len(line.sent) == ON_THEIR_WAY
    confirmed = 0
    while confirmed < len(line.sent):
        confirmed += 1
        line.notices.confirmed(confirmed)
    assert len(line.sent) == 3 * ON_THEIR_WAY + 1
    assert line.sent[-1] == ("late", b"2")
    assert line.notices.settled


def test_a_new_connection_is_told_everything_again_but_not_what_was_said_once():
    line = Connection()
    line.notices.opened()
    line.put("kept")
    line.put("once", retain=False)
    line.put("taken back")
    line.put("taken back", b"")
    line.notices.closed()
    line.put("while away", retain=False)
    line.sent.clear()
    line.notices.opened()
    assert line.sent == [("kept", b"x"), ("while away", b"x")]


def test_an_answer_that_comes_before_its_number_counts():
    line = Connection()
    send = line.send

    def fast(name: str, notice: Notice) -> int | None:
        number = send(name, notice)
        if number is not None:
            line.notices.confirmed(number, "Not authorized" if name == "b" else "")
        return number

    line.notices._send = fast
    line.notices.opened()
    line.put("a")
    line.put("b")
    assert line.notices.settled
    assert line.refused == [("b", "Not authorized")]


def test_what_the_connection_did_not_take_is_sent_later():
    line = Connection()
    line.notices.opened()
    line.up = False
    line.put("a", b"1")
    line.put("a", b"2")
    line.up = True
    line.put("b")
    assert line.sent == [("a", b"2"), ("b", b"x")]


@pytest.mark.parametrize("name", ["", "a+b", "committed/#", "a\0", "a\nb", "x" * 401, "\ud800"])
def test_what_cannot_be_a_topic_is_left_out_and_told(name, caplog):
    line = Connection()
    line.notices.opened()
    line.put(name)
    assert line.sent == []
    assert "is not published: allowed: a printable name" in caplog.text
    assert len(caplog.text.splitlines()) == 1


def test_a_payload_has_a_limit(caplog):
    line = Connection()
    line.notices.opened()
    line.put("a", bytes(notices.PAYLOAD_MOST + 1))
    assert line.sent == []
    assert "65537 bytes; allowed: 65536" in caplog.text


def test_more_names_than_are_kept_push_out_the_oldest(monkeypatch):
    monkeypatch.setattr(notices, "NAMES_MOST", 3)
    line = Connection()
    for name in "abacd":
        line.put(name)
    line.notices.opened()
    assert [name for name, _ in line.sent] == ["a", "c", "d"]
