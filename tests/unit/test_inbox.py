"""How much is taken at once from what waits for the worker."""

from __future__ import annotations

import threading

from monitor.ingest.inbox import BYTES_MOST, Inbox
from monitor.service.ports import Message


def inbox(*payloads: bytes) -> Inbox:
    one = Inbox(1000, threading.Event())
    for payload in payloads:
        one.put(Message("t", payload, 0.0))
    return one


def taken(one: Inbox, limit: int = 1000) -> list[int]:
    return [len(message.payload) for message in one.take(limit, 0.0)]


def test_small_messages_are_taken_up_to_the_limit_in_order() -> None:
    one = inbox(b"", b"1", b"22", b"333")
    assert (taken(one, 3), taken(one, 3), taken(one, 3)) == ([0, 1, 2], [3], [])


def test_large_messages_are_taken_until_they_are_enough_to_store_in_seconds() -> None:
    part = BYTES_MOST // 4
    one = inbox(*[bytes(part)] * 10)
    assert [len(taken(one)) for _ in range(3)] == [4, 4, 2]


def test_one_that_is_too_large_comes_alone_and_not_never() -> None:
    one = inbox(bytes(2 * BYTES_MOST), b"1")
    assert taken(one) == [2 * BYTES_MOST]
    assert taken(one) == [1]


def test_a_stop_ends_the_wait_for_room() -> None:
    stopping = threading.Event()
    one = Inbox(1, stopping)
    one.put(Message("t", b"1", 0.0))
    assert one.full
    waiting = threading.Thread(target=one.put, args=(Message("t", b"2", 0.0),))
    waiting.start()
    stopping.set()
    waiting.join(10)
    assert not waiting.is_alive()
    assert taken(one) == [1]
