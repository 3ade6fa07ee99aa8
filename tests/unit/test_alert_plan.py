"""When alerts go out: groups, quiet hours, digests, floods, escalations; all decided by pure functions."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from monitor.alerting.daytimes import last_slot, next_slot, quiet_until
from monitor.alerting.people import Book, Manner, Recipient, Rule
from monitor.alerting.plan import Person, plan
from monitor.alerting.timers import LATEST, escalations, heartbeats
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.service.ports import (
    NEVER,
    Alert,
    AlertKind,
    Delivery,
    Event,
    EventState,
    Plan,
    Sent,
    Unanswered,
    Wait,
    Waiting,
)
from monitor.site import Site

DAY = 86_400.0
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC).timestamp()
"""A Monday."""
NIGHT = NOON + 11 * 3600.0
MORNING = NOON + 19 * 3600.0
OFF = Manner(digest="off", group=120.0)
QUIET = dataclasses.replace(OFF, quiet=(22 * 60, 7 * 60))


def person(manner: Manner, zone: str = "UTC") -> Person:
    def compose(kind: AlertKind, parts: Sequence[Waiting], now: float) -> Alert:
        return Alert(f"{kind}/{parts[0].delivery.alert.key}", "", str(len(parts)), "", "low", now, None, kind)

    return Person(manner, "UTC", lambda _: zone, compose)


def owed(
    number: int,
    created: float,
    *,
    site: str = "",
    fault: str = "blind",
    urgent: bool = False,
    severity: str = "medium",
    waits: Wait = Wait.NOTHING,
    due: float = 0.0,
    standing: bool = True,
    kind: AlertKind = AlertKind.RAISED,
    event: int | None = None,
    attempts: int = 0,
) -> Waiting:
    event = number if event is None else event
    alert = Alert(f"k{number}", site or f"s{number}", "t", "b", severity, created, event, kind, urgent)
    return Waiting(Delivery(number, alert, "anna", attempts, due), fault, standing, waits)


def after(waiting: Sequence[Waiting], made: Plan) -> list[Waiting]:
    """Return what is owed when a plan has been carried out, without what was merged."""
    merged = {number for merge in made.merges for number in merge.ids}
    holds = {hold.id: hold for hold in made.holds}
    kept = []
    for one in waiting:
        hold = holds.get(one.delivery.id)
        if one.delivery.id in merged:
            continue
        if hold is None:
            kept.append(one)
        else:
            delivery = dataclasses.replace(one.delivery, due=hold.due)
            kept.append(dataclasses.replace(one, delivery=delivery, waits=hold.waits))
    return kept


def goes(waiting: Sequence[Waiting], made: Plan, now: float) -> set[int]:
    return {
        one.delivery.id
        for one in after(waiting, made)
        if one.waits is Wait.NOTHING and one.delivery.due <= now
    }


# ---- groups


def test_the_first_waits_for_others_and_then_goes_alone() -> None:
    waiting = [owed(1, NOON)]
    held = plan(person(OFF), waiting, [], NOON + 1)
    assert goes(waiting, held, NOON + 1) == set()
    waiting = after(waiting, held)
    assert plan(person(OFF), waiting, [], NOON + 60) == Plan([], [])
    assert goes(waiting, plan(person(OFF), waiting, [], NOON + 120), NOON + 120) == {1}


def test_five_hundred_sites_that_fall_silent_within_minutes_are_one_message() -> None:
    who, waiting, messages = person(OFF), [], []
    for second in range(0, 900, 5):
        now = NOON + second
        if second < 250:
            waiting += [owed(2 * second + place, now) for place in range(10)]
        made = plan(who, waiting, [Sent(when, AlertKind.GROUP, "blind", False) for when in messages], now)
        messages += [now for merge in made.merges if len(merge.ids) == 500]
        waiting = after(waiting, made)
        assert goes(waiting, Plan(), now) == set()
    assert len(messages) == 1
    assert not waiting


def test_a_straggler_waits_until_the_group_is_ten_minutes_old() -> None:
    waiting, sent = [owed(9, NOON)], [Sent(NOON - 100, AlertKind.GROUP, "blind", False)]
    assert goes(waiting, plan(person(OFF), waiting, sent, NOON + 300), NOON + 300) == set()
    assert goes(waiting, plan(person(OFF), waiting, [], NOON + 500), NOON + 500) == {9}


def test_others_that_keep_coming_do_not_put_it_off_for_ever() -> None:
    waiting = [owed(number, NOON + 60 * number) for number in range(11)]
    (merge,) = plan(person(OFF), waiting, [], NOON + 600).merges
    assert len(merge.ids) == 11


def test_two_sites_are_no_group() -> None:
    waiting = [owed(1, NOON), owed(2, NOON)]
    assert goes(waiting, plan(person(OFF), waiting, [], NOON + 121), NOON + 121) == {1, 2}


def test_what_is_urgent_waits_for_nothing() -> None:
    waiting = [owed(1, NIGHT, urgent=True), owed(2, NIGHT)]
    assert goes(waiting, plan(person(QUIET), waiting, [], NIGHT), NIGHT) == {1}


def test_a_clock_that_is_set_back_holds_nothing_for_long() -> None:
    waiting = [owed(1, NOON + 40 * DAY)]
    assert goes(waiting, plan(person(OFF), waiting, [], NOON), NOON) == {1}


def test_what_was_tried_already_is_left_to_its_next_try() -> None:
    waiting = [owed(1, NIGHT, attempts=2, due=NIGHT + 5)]
    assert plan(person(QUIET), waiting, [], NIGHT) == Plan([], [])


# ---- quiet hours


def test_quiet_hours_are_those_of_the_site() -> None:
    waiting = [owed(1, NIGHT - 300)]
    held = plan(person(QUIET), waiting, [], NIGHT)
    (hold,) = held.holds
    assert (hold.waits, hold.due) == (Wait.QUIET, MORNING)
    # In Los Angeles it is 15 h.
    assert goes(waiting, plan(person(QUIET, "America/Los_Angeles"), waiting, [], NIGHT), NIGHT) == {1}


def test_what_still_stands_in_the_morning_is_sent() -> None:
    waiting = [owed(1, NIGHT, waits=Wait.QUIET, due=MORNING)]
    assert goes(waiting, plan(person(QUIET), waiting, [], MORNING), MORNING) == {1}


def test_what_is_over_in_the_morning_is_a_line_in_the_digest() -> None:
    over = [
        owed(1, NIGHT, waits=Wait.QUIET, due=MORNING, standing=False),
        owed(2, NIGHT + 60, event=1, kind=AlertKind.ENDED, standing=False),
    ]
    daily = dataclasses.replace(QUIET, digest="daily", digest_at=8 * 60)
    made = plan(person(daily), over, [], MORNING)
    assert {(hold.id, hold.waits, hold.due) for hold in made.holds} == {
        (1, Wait.DIGEST, MORNING + 3600),
        (2, Wait.DIGEST, MORNING + 3600),
    }
    waiting = after(over, made)
    assert plan(person(daily), waiting, [], MORNING + 3599) == Plan([], [])
    (merge,) = plan(person(daily), waiting, [], MORNING + 3600).merges
    assert (merge.alert.kind, list(merge.ids)) == (AlertKind.DIGEST, [1, 2])


def test_the_end_of_what_was_told_before_the_night_waits_and_is_told() -> None:
    waiting = [owed(2, NIGHT, kind=AlertKind.ENDED, standing=False)]
    waiting = after(waiting, plan(person(QUIET), waiting, [], NIGHT))
    assert waiting[0].waits is Wait.QUIET
    assert goes(waiting, plan(person(QUIET), waiting, [], MORNING), MORNING) == {2}


@pytest.mark.parametrize(
    ("clock", "end"),
    [
        ("2026-03-28T23:30", "2026-03-29T07:00+02:00"),  # the night in which clocks go forward
        ("2026-10-24T23:30", "2026-10-25T07:00+01:00"),  # and back
        ("2026-10-25T06:59", "2026-10-25T07:00+01:00"),
        ("2026-10-25T07:00", None),
        ("2026-10-25T21:59", None),
    ],
)
def test_quiet_hours_follow_the_wall_clock(clock: str, end: str | None) -> None:
    now = datetime.fromisoformat(
        clock + ("+01:00" if clock < "2026-03-29" or clock[:10] >= "2026-10-25" else "+02:00")
    )
    until = quiet_until((22 * 60, 7 * 60), now.timestamp(), "Europe/Berlin")
    assert until == (None if end is None else datetime.fromisoformat(end).timestamp())


# ---- digests


def test_low_priority_waits_for_the_digest_of_the_day_or_the_week() -> None:
    waiting = [owed(1, NOON, severity="low")]
    for digest, due in (("daily", NOON + 20 * 3600), ("weekly", NOON + 7 * DAY - 4 * 3600)):
        (hold,) = plan(person(Manner(digest=digest)), waiting, [], NOON).holds
        assert (hold.waits, hold.due) == (Wait.DIGEST, due)


def test_slots_lie_on_either_side_of_now() -> None:
    for minute in (0, 719, 720, 1439):
        assert last_slot(minute, NOON, "UTC") <= NOON < next_slot(minute, NOON, "UTC")
        assert next_slot(minute, NOON, "UTC") - last_slot(minute, NOON, "UTC") == DAY
        weekly = next_slot(minute, NOON, "UTC", weekly=True) - last_slot(minute, NOON, "UTC", weekly=True)
        assert weekly == 7 * DAY


# ---- floods


def flooded(count: int, now: float = NOON) -> list[Sent]:
    return [Sent(now - 500 + number, AlertKind.RAISED, "x", False) for number in range(count)]


def test_ten_in_ten_minutes_are_sent_and_the_rest_is_put_together_when_there_is_room() -> None:
    waiting = [owed(number, NOON - 200, fault=f"f{number}") for number in range(12)]
    full = plan(person(OFF), waiting, flooded(10), NOON)
    assert goes(waiting, full, NOON) == set()
    assert {hold.waits for hold in full.holds} == {Wait.FLOOD}
    waiting = after(waiting, full)
    (merge,) = plan(person(OFF), waiting, flooded(9), NOON).merges
    assert len(merge.ids) == 12
    few = waiting[:2]
    assert goes(few, plan(person(OFF), few, flooded(8), NOON), NOON) == {0, 1}


def test_in_a_flood_what_is_urgent_waits_a_minute_at_most_and_is_put_together() -> None:
    waiting = [owed(number, NOON, fault=f"f{number}", urgent=True) for number in range(5)]
    sent = [*flooded(10), Sent(NOON - 30, AlertKind.GROUP, "", True)]
    held = plan(person(OFF), waiting, sent, NOON)
    assert {hold.due for hold in held.holds} == {NOON + 30}
    waiting = after(waiting, held)
    (merge,) = plan(person(OFF), waiting, sent, NOON + 30).merges
    assert len(merge.ids) == 5


def test_what_is_held_without_an_end_goes_by_a_later_look_alone() -> None:
    held = plan(person(OFF), [owed(1, NOON)], [], NOON)
    assert [hold.due for hold in held.holds] == [NEVER]


# ---- who


NORTH = Site(id="north", customer="Miller", timezone="UTC")
SOUTH = Site(id="south", customer="Baker", timezone="UTC")
LOST = Finding(Fault.AIR_CUSHION_LOST, 0.0, 0.0, Severity.HIGH, 0.9, "", "", "")
LOW = dataclasses.replace(LOST, fault=Fault.AIR_CHARGE_LOW, severity=Severity.MEDIUM)


def someone(name: str, *tags: str, manner: Manner = OFF) -> Recipient:
    return Recipient(name, "json://x", tags=frozenset(tags), manner=manner)


BOOK = Book(
    [someone("anna", "north"), someone("bert"), someone("cora", "north"), Recipient("hook", "json://x")],
    [
        Rule(["#north"], ["bert"], customers=frozenset({"Miller"})),
        Rule(["bert"], sites=frozenset({"south"}), severities=frozenset({Severity.HIGH})),
        Rule(["anna"], ["cora", "bert"], faults=frozenset({"air_charge_low"}), sites=frozenset({"south"})),
    ],
)


@pytest.mark.parametrize(
    ("site", "finding", "first", "then"),
    [
        (NORTH, LOST, ["anna", "cora", "hook"], [["bert"]]),
        (SOUTH, LOST, ["bert", "hook"], []),
        (SOUTH, LOW, ["anna", "hook"], [["cora"], ["bert"]]),
    ],
)
def test_rules_choose_by_customer_site_fault_and_priority(
    site: Site, finding: Finding, first: list[str], then: list[list[str]]
) -> None:
    assert [one.name for one in BOOK.first(site, finding)] == first
    assert [[one.name for one in step] for step in BOOK.chain(site, finding)] == then


def test_without_a_rule_everybody_is_told() -> None:
    assert [one.name for one in Book(BOOK.recipients).first(SOUTH, LOST)] == ["anna", "bert", "cora", "hook"]


# ---- escalations and heartbeats


def test_each_time_to_respond_that_passes_calls_the_next() -> None:
    event = Event(7, "south", LOW, EventState.ACTIVE_UNACKNOWLEDGED)
    sites = {"south": SOUTH}

    def called(days: float) -> list[tuple[str, int]]:
        found = escalations(BOOK, sites, [Unanswered(event, NOON)], NOON + days * DAY)
        return [(one.who.name, one.step) for one in found]

    assert called(13.9) == []
    assert called(14.0) == [("cora", 1)]
    assert called(28.0) == [("cora", 1), ("bert", 2)]


def test_a_heartbeat_is_owed_from_its_time_on_for_half_a_day() -> None:
    book = Book([someone("anna", manner=dataclasses.replace(OFF, heartbeat=8 * 60)), someone("bert")])
    eight = NOON - 4 * 3600
    assert [(one.name, slot) for one, slot in heartbeats(book, lambda _: "UTC", NOON)] == [("anna", eight)]
    assert list(heartbeats(book, lambda _: "UTC", eight + LATEST)) == []
