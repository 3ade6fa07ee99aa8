"""The life of an event without a store: what each act makes of it, who is told, groups, floods and delays."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.diagnosis import limits, relief, rules, sight, timings, watch
from monitor.diagnosis.causes import EXPLAINS
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.rationale import RATIONALES
from monitor.diagnosis.signs import closure, creep, heater, heater_off, high, sensor, small_tank, sunk
from monitor.errors import InputError
from monitor.readings import Point
from monitor.service.lifecycle import cause_among, covers, holds_back, silence, step
from monitor.service.lifecycle_acts import (
    Acknowledge,
    Amend,
    Done,
    Explain,
    Lapse,
    Refusal,
    Return,
    Shelve,
    Unshelve,
)
from monitor.service.lifecycle_groups import explains, flood, grouped
from monitor.service.lifecycle_notice import chatter_notice
from monitor.service.lifecycle_records import Act, OutOfService, Shelf, Silence
from monitor.service.lifecycle_words import length, quiet, raises_of, recurring, reminder, said
from monitor.service.ports import Alert, Event, EventState

NOW = 1.7e9
HOUR, DAY = 3600.0, 86400.0
DISCHARGE = {"relief_discharging_since": NOW}


def event(
    fault: Fault = Fault.AIR_CHARGE_LOW,
    *,
    number: int = 7,
    site: str = "mill",
    raised: float = NOW,
    severity: Severity = Severity.MEDIUM,
    state: EventState = EventState.ACTIVE_UNACKNOWLEDGED,
    **rest: object,
) -> Event:
    finding = Finding(fault, raised, raised, severity, 0.99, "", "", "", {})
    return Event(number, site, finding, state, **rest)  # type: ignore[arg-type]


def urgent(one: Event) -> Event:
    return replace(one, finding=replace(one.finding, evidence=DISCHARGE))


def shelf(hours: float, *, confirmed: bool = False) -> Shelf:
    return Shelf(NOW, NOW + hours * HOUR, "Ada", "known", confirmed)


def out(point: Point | None = None, *, confirmed: bool = False) -> OutOfService:
    return OutOfService(1, "mill", point, NOW, "Ada", "work", NOW + 8 * HOUR if confirmed else None)


def done(result: object) -> Done:
    assert isinstance(result, Done)
    return result


STATES = list(EventState)


@pytest.mark.parametrize(
    ("before", "acknowledged", "returned"),
    [
        (STATES[0], STATES[1], STATES[2]),
        (STATES[1], None, STATES[3]),
        (STATES[2], STATES[3], None),
        (STATES[3], None, None),
    ],
)
def test_the_states_follow_from_two_questions(
    before: EventState, acknowledged: EventState | None, returned: EventState | None
) -> None:
    one = event(state=before)
    seen = step(one, Acknowledge("Ada", NOW))
    over = step(one, Return(replace(one.finding, ended=NOW)))
    assert (done(seen).event.state if seen else None) is acknowledged
    assert (done(over).event.state if over else None) is returned


def test_a_shelf_has_an_end_a_person_and_a_reason_and_ends_by_itself() -> None:
    result = done(step(event(), Shelve(shelf(24))))
    assert (result.act, result.who, result.why, result.when) == (Act.SHELVED, "Ada", "known", NOW)
    assert silence(result.event) is Silence.SHELVED
    assert step(result.event, Lapse(NOW + 24 * HOUR - 1)) is None
    ended = done(step(result.event, Lapse(NOW + 24 * HOUR)))
    assert (ended.event, ended.act, ended.who) == (event(), Act.SHELF_ENDED, "service")
    assert silence(ended.event) is None


@pytest.mark.parametrize(
    ("severity", "longest"), [(Severity.HIGH, 24.0), (Severity.MEDIUM, 168.0), (Severity.LOW, 720.0)]
)
def test_the_longest_shelf_is_by_priority(severity: Severity, longest: float) -> None:
    one = event(severity=severity)
    assert isinstance(step(one, Shelve(shelf(longest))), Done)
    refused = step(one, Shelve(shelf(longest + 0.01)))
    assert isinstance(refused, Refusal)
    assert f"{severity.value} priority" in refused.words


@pytest.mark.parametrize("hours", [0.0, -1.0, math.nan, math.inf])
def test_a_shelf_without_a_sensible_end_is_refused(hours: float) -> None:
    assert step(event(), Shelve(shelf(hours))) == Refusal("the end of a shelf must lie ahead")


def test_what_is_over_cannot_be_shelved_and_what_is_on_no_shelf_cannot_be_taken_off() -> None:
    over = event(state=EventState.RETURNED_UNACKNOWLEDGED)
    assert isinstance(step(over, Shelve(shelf(1))), Refusal)
    assert isinstance(step(event(), Unshelve("Ada", NOW, "why")), Refusal)


def test_a_discharging_relief_valve_is_kept_quiet_only_when_confirmed_and_for_a_shift() -> None:
    one = urgent(event(Fault.AIR_CUSHION_LOST, severity=Severity.HIGH))
    refused = step(one, Shelve(shelf(1)))
    assert isinstance(refused, Refusal)
    assert "second time" in refused.words
    assert isinstance(step(one, Shelve(shelf(8.1, confirmed=True))), Refusal)
    assert silence(done(step(one, Shelve(shelf(8, confirmed=True)))).event) is Silence.SHELVED
    for kept in ({"out": out()}, {"cause": 3}, {"held": True}, {"shelf": shelf(8)}):
        assert silence(replace(one, **kept)) is None  # type: ignore[arg-type]
    assert silence(replace(one, out=out(confirmed=True))) is Silence.OUT_OF_SERVICE


def test_a_confirmation_given_before_there_is_a_discharge_does_not_count_for_it() -> None:
    shelved = done(step(event(), Shelve(shelf(24, confirmed=True)))).event
    worse = done(step(shelved, Amend(urgent(shelved).finding)))
    assert worse.event.shelf is None
    assert silence(worse.event) is None
    assert "urgent" in worse.why


def test_no_act_but_a_return_ends_an_event() -> None:
    acts = [
        Acknowledge("Ada", NOW),
        Shelve(shelf(1)),
        Unshelve("Ada", NOW, "x"),
        Explain(3, NOW),
        Lapse(math.inf),
    ]
    one = event(held=True, shelf=shelf(1))
    for act in acts:
        result = step(one, act)
        assert not isinstance(result, Done) or result.event.state.active


def test_a_first_cause_keeps_quiet_and_lets_go() -> None:
    hidden = done(step(event(), Explain(3, NOW)))
    assert (hidden.act, silence(hidden.event)) == (Act.SUPPRESSED, Silence.BY_DESIGN)
    assert step(hidden.event, Explain(3, NOW)) is None
    free = done(step(hidden.event, Explain(None, NOW)))
    assert (free.act, silence(free.event)) == (Act.RELEASED, None)
    assert "event 3" in free.why


def test_no_fault_explains_itself_in_a_ring() -> None:
    """Else all of a ring would be kept quiet by one another."""

    def reached(fault: Fault, seen: frozenset[Fault]) -> bool:
        return any(one in seen or reached(one, seen | {one}) for one in EXPLAINS.get(fault, frozenset()))

    assert not any(reached(fault, frozenset({fault})) for fault in Fault)


def test_the_cause_is_one_that_stands() -> None:
    lost = event(Fault.AIR_CUSHION_LOST, number=1)
    over = replace(lost, state=EventState.RETURNED_UNACKNOWLEDGED)
    assert cause_among(Fault.AIR_CHARGE_LOW, [event(Fault.BLIND), lost]) == lost
    assert cause_among(Fault.AIR_CHARGE_LOW, [event(Fault.BLIND), over]) is None


def test_work_on_a_point_covers_what_rests_on_it() -> None:
    assert all(covers(out(), "mill", fault) and covers(out(Point.PRESSURE), "mill", fault) for fault in Fault)
    assert not covers(out(), "shed", Fault.BLIND)
    assert covers(out(Point.HEATER), "mill", Fault.HEATER_STATE_FAULT)
    assert not covers(out(Point.HEATER), "mill", Fault.RELIEF_DISCHARGING)
    assert covers(out(Point.TEMPERATURE), "mill", Fault.AIR_CHARGE_LOW)
    assert not covers(out(Point.TEMPERATURE), "mill", Fault.BLIND)


def test_a_fault_that_comes_and_goes_is_told_as_one_notice_and_again_when_it_stands() -> None:
    blind = event(Fault.BLIND)
    assert [holds_back(blind.finding, raises) for raises in (1, 2, 3, 4)] == [False, False, False, True]
    assert not holds_back(urgent(blind).finding, 9)
    held = replace(blind, held=True, raises=4)
    assert silence(held) is Silence.CHATTERING
    assert step(held, Lapse(NOW + DAY - 1)) is None
    assert silence(done(step(held, Lapse(NOW + DAY))).event) is None


def test_a_notice_says_what_is_new_first_and_keeps_the_key() -> None:
    alert = Alert("k", "mill", "[LOW] Mill: blind", "What is seen: nothing.", "low", NOW)
    notice = chatter_notice(alert, event(Fault.BLIND).finding)
    assert (notice.key, notice.title) == ("k", "[LOW] Mill: blind, comes and goes")
    assert notice.body.startswith(
        "This has come and gone: it is raised for the 3rd time within 7 days. When it"
    )
    assert notice.body.endswith(alert.body)
    long = chatter_notice(replace(alert, title="x" * 110), event(Fault.BLIND).finding)
    assert len(long.title) == 110
    told = chatter_notice(alert, event(Fault.RELIEF_DISCHARGING).finding)
    assert "you are told each time all the same" in told.body


# ---- what belongs together


def test_many_sites_within_minutes_are_a_group_and_two_are_not() -> None:
    near = [event(Fault.BLIND, number=n, site=f"s{n}", raised=NOW + 300 * n) for n in range(4)]
    far = event(Fault.BLIND, number=9, site="far", raised=NOW + 3 * HOUR)
    other = event(Fault.WATER_LOSS, number=8, site="s9", raised=NOW)
    (group,) = grouped([far, other, *reversed(near)], NOW + DAY)
    assert (group.fault, list(group.events)) == (Fault.BLIND, near)
    assert (group.sites, group.first, group.last) == (["s0", "s1", "s2", "s3"], NOW, NOW + 900)
    assert grouped(near[:2], NOW + DAY) == []
    assert grouped([replace(one, site="s0") for one in near], NOW + DAY) == []
    assert grouped(near, NOW + 700) == [replace(group, events=tuple(near[:3]))]
    over = [replace(one, state=EventState.NORMAL) for one in near]
    assert grouped(over, NOW + DAY) == []


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 40)), max_size=30))
def test_groups_share_nothing_and_hold_their_distance(raised: list[tuple[int, int]]) -> None:
    events = [
        event(Fault.BLIND, number=n, site=f"s{site}", raised=NOW + 120.0 * at)
        for n, (site, at) in enumerate(raised)
    ]
    groups = grouped(events, math.inf)
    numbers = [one.number for group in groups for one in group.events]
    assert len(numbers) == len(set(numbers))
    for group in groups:
        times = [one.finding.raised for one in group.events]
        assert all(after - before <= 600 for before, after in pairwise(times))
        assert len(group.sites) >= 3


def test_a_flood_begins_above_ten_and_ends_below_five() -> None:
    times = [NOW + n for n in range(11)]
    assert flood(times[:10], NOW + 20) == flood(times, NOW + 9.5)
    assert not flood(times[:10], NOW + 20).active
    assert (flood(times, NOW + 20).active, flood(times, NOW + 20).count) == (True, 11)
    assert flood(times, NOW + 605.5, active=True).active  # five are left
    assert not flood(times, NOW + 606.5, active=True).active
    assert not flood(times, NOW + 606.5).active


def test_an_event_explains_what_it_keeps_quiet_and_what_gave_way_to_it() -> None:
    lost = event(Fault.AIR_CUSHION_LOST, number=1)
    kept = event(Fault.TANK_UNDERSIZED, number=2, cause=1)
    gave_way = event(Fault.AIR_CHARGE_LOW, number=3, raised=NOW - DAY)
    gave_way = replace(gave_way, finding=replace(gave_way.finding, ended=NOW))
    others = [
        event(Fault.TANK_UNDERSIZED, number=4),
        event(Fault.TANK_UNDERSIZED, number=5, site="shed", cause=1),
        event(Fault.BLIND, number=6),
    ]
    assert explains(lost, [lost, kept, gave_way, *others]) == [kept, gave_way]


# ---- words


def test_why_it_is_quiet_stands_in_words() -> None:
    def moment(time: float) -> str:
        return f"{(time - NOW) / HOUR:g}h"

    words = {
        quiet(replace(event(), shelf=shelf(3)), moment): "Shelved until 3h by Ada: known.",
        quiet(
            replace(event(), out=out(Point.HEATER)), moment
        ): "Heater out of service since 0h, taken out by Ada: work.",
        quiet(replace(event(), cause=3), moment): "Event 3 is its first cause",
        quiet(
            replace(event(), held=True, raises=5), moment
        ): "Raised 5 times within 7 days: it comes and goes, and is told",
        quiet(replace(event(), raises=3), moment): "Raised 3 times within 7 days: it comes and goes.",
    }
    assert all(said.startswith(wanted) for said, wanted in words.items()), words
    assert quiet(event(), moment) == ""


def test_raises_of_a_report_are_counted_within_a_week_up_to_each() -> None:
    found = [event(Fault.BLIND, raised=NOW + day * DAY).finding for day in (0, 3, 6, 7)]
    other = event(Fault.WATER_LOSS, raised=NOW + DAY).finding
    assert [raises_of(one, [*found, other]) for one in found] == [1, 2, 3, 3]
    assert [recurring(raises) != "" for raises in (1, 2, 3)] == [False, False, True]


def test_work_that_goes_on_for_a_week_is_asked_about() -> None:
    assert reminder(out(), NOW + 7 * DAY - 1) == ""
    assert "7 days ago" in reminder(out(), NOW + 7 * DAY)


def test_words_of_people_come_on_one_line_without_what_a_terminal_obeys() -> None:
    assert said(" Ada\x1b[2J\u202e\n B. ", "--who", 80) == "Ada [2J B."
    with pytest.raises(InputError, match="--who is missing"):
        said("\x07 ", "--who", 80)
    with pytest.raises(InputError, match="at most 80"):
        said("a" * 81, "--who", 80)


@pytest.mark.parametrize("text", ["", "3", "three days", "3 years", "-1 h", "1e3 h", "3 days 2 h", "day"])
def test_a_length_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="write it like"):
        length(text)


# ---- the table of delays

_SECONDS = {
    "today": 1, "within a day": 1, "within two days": 2, "within a week": 7,
    "within two weeks": 14, "within two weeks, before the forecast date if there is one": 14,
    "at the next visit, within a month": 30, "plan it within a month": 30,
}  # fmt: skip


def test_each_fault_has_a_row_that_responds_as_its_alert_says() -> None:
    assert set(timings.TIMINGS) == set(Fault)
    for fault, row in timings.TIMINGS.items():
        assert row.respond_within == _SECONDS[RATIONALES[fault.value].respond] * DAY
    low = event().finding
    assert timings.respond_within(low) == 14 * DAY
    assert timings.respond_within(replace(low, evidence=DISCHARGE)) == DAY


def test_the_table_says_what_the_diagnosis_does() -> None:
    """Each number in a row, beside the constant that it tells of."""
    rows = timings.TIMINGS
    probable = f"raised from {100 * rules.CERTAIN:.0f} %, ended below {100 * rules.CLEARED:.0f} %"
    assert {row.dead_band for row in rows.values()} >= {probable}
    assert rows[Fault.AIR_CHARGE_LOW].raised.startswith(f"{watch._LOW_WINDOWS} windows")
    assert rows[Fault.AIR_CUSHION_LOST].raised.startswith(f"{watch._LOST_WINDOWS} windows")
    assert rows[Fault.AIR_CUSHION_LOST].ended.startswith(f"{watch._CLEAR_WINDOWS} windows")
    small = f"{small_tank._LEAST_WINDOWS} windows over {small_tank._LEAST_DAYS:.0f} days"
    assert rows[Fault.TANK_UNDERSIZED].raised == small
    assert rows[Fault.SUPPLY_PRESSURE_HIGH].raised.startswith(f"{high._NEEDED} quarters")
    assert rows[Fault.REGULATOR_CREEP].raised == f"rests that climb on {creep._DAYS} days"
    assert f"{creep._KEEP / DAY:.0f} days" in rows[Fault.REGULATOR_CREEP].ended
    assert rows[Fault.CHECK_VALVE_PASSING].raised.endswith(f"{closure._DAYS / DAY:.0f} days")
    discharge = rows[Fault.RELIEF_DISCHARGING]
    assert f"{relief._SECONDS:.0f} s at {100 * relief.OPENS:.0f} %" in discharge.raised
    assert discharge.ended.startswith(f"{watch._QUIET_BURNS} burns")
    assert f"{100 * relief._RESEATS:.0f} %" in discharge.dead_band
    assert rows[Fault.WATER_LOSS].raised.startswith(f"{sunk._BURNS} burns")
    assert f"{sensor._FLAKY / DAY:.0f} days" in rows[Fault.PRESSURE_SENSOR_FAULT].ended
    assert rows[Fault.HEATER_STATE_FAULT].raised.startswith(f"{heater._EPISODES} burns")
    assert (heater._STUCK, heater_off._QUIET) == (DAY, 1.5 * DAY)
    assert rows[Fault.BLIND].raised.startswith(f"{sight.RAISE_AFTER / HOUR:.0f} h")
    assert limits.NEAR_RELIEF == relief.OPENS


def test_what_is_stale_or_shelved_hangs_on_the_time_to_respond() -> None:
    for severity in Severity:
        assert timings.LONGEST_SHELF[severity] <= timings.STALE[severity]
    assert timings.longest_shelf(event(Fault.RELIEF_DISCHARGING, severity=Severity.HIGH).finding) == 8 * HOUR
