"""The figures of the standard on events whose figures are known by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.service.lifecycle_figures import Response, figures
from monitor.service.lifecycle_records import Act, AuditLine
from monitor.service.ports import Event, EventState

NOW = 1.7e9
HOUR, DAY = 3600.0, 86400.0


def event(
    number: int,
    ago: float,
    *,
    site: str = "mill",
    fault: Fault = Fault.AIR_CHARGE_LOW,
    severity: Severity = Severity.MEDIUM,
    stood: float | None = None,
    **rest: object,
) -> Event:
    raised = NOW - ago
    ended = None if stood is None else raised + stood
    state = EventState.ACTIVE_UNACKNOWLEDGED if stood is None else EventState.NORMAL
    return Event(
        number,
        site,
        Finding(fault, raised, raised, severity, 0.99, "", "", "", {}, ended),
        state,
        **rest,  # type: ignore[arg-type]
    )


def taken(number: int, ago: float, who: str = "Ada", act: str = Act.ACKNOWLEDGED) -> AuditLine:
    before, after = "active_unacknowledged", "active_acknowledged"
    return AuditLine(NOW - ago, "mill", number, "", act, before, after, who, "")


def test_rates_are_of_what_was_told_by_site_and_by_person() -> None:
    events = [event(n, n * DAY + 1, site=f"s{n}") for n in range(6)]
    events += [event(7, DAY, cause=1), event(8, DAY, held=True, raises=4), event(9, 90 * DAY)]
    events[2] = replace(events[2], cause=1)  # told before its cause was raised
    trail = [
        AuditLine(NOW - ago, "mill", number, "", Act.SUPPRESSED, "", "", "service", "")
        for number, ago in ((7, DAY), (2, DAY), (7, HOUR))
    ]
    found = figures(events, trail, NOW, 14, 4, 2)
    assert (found.raised, found.told, found.standing, found.quiet) == (8, 6, 9, 3)
    assert found.per_site_week == pytest.approx(6 / 4 / 2)
    assert found.per_operator_day == pytest.approx(6 / 2 / 14)
    assert figures([], [], NOW, 30, 0).top_share is None


def test_the_peak_and_the_flood_are_those_of_ten_minutes() -> None:
    """Twelve in as many seconds: from the eleventh on it is a flood, until fewer than five are ten minutes old."""
    events = [event(n, HOUR - n, site=f"s{n}") for n in range(12)]
    found = figures(events, [], NOW, 1, 12)
    assert found.peak == 12
    begins, ends = 10.0, 600.0 + 7.0
    assert found.flood_share == pytest.approx((ends - begins) / DAY)
    assert figures(events[:10], [], NOW, 1, 12).flood_share == 0.0
    recent = [event(n, 12 - n, site=f"s{n}") for n in range(12)]
    assert figures(recent, [], NOW, 1, 12).flood_share == pytest.approx(2.0 / DAY)


def test_the_ten_most_frequent_are_named_with_their_share() -> None:
    events = [event(n, n * HOUR, site=f"s{n % 12}", stood=60.0) for n in range(24)]
    events += [event(100 + n, n * HOUR, site="worst", stood=60.0) for n in range(6)]
    found = figures(events, [], NOW, 7, 13)
    assert found.top[0] == ("worst", "air_charge_low", 6)
    assert found.top_share == pytest.approx((6 + 9 * 2) / 30)


def test_chattering_fleeting_and_stale_are_told_apart() -> None:
    events = [
        *(event(n, (5 - n) * DAY, stood=HOUR, raises=n) for n in range(1, 5)),  # the first two fleeting
        event(9, 5 * DAY, site="a", stood=HOUR),
        event(10, 5 * DAY, site="b", stood=2 * DAY),
        event(11, 2.1 * DAY, site="c", severity=Severity.HIGH),
        event(12, 13 * DAY, site="d"),
        event(13, 15 * DAY, site="e"),
        event(14, 29 * DAY, site="f", severity=Severity.LOW),
    ]
    found = figures(events, [], NOW, 30, 9)
    assert (found.chattering, found.fleeting, found.stale) == (1, 3, 2)
    assert found.priorities == {Severity.HIGH: 1, Severity.MEDIUM: 8, Severity.LOW: 1}


def test_who_was_in_time_is_judged_when_the_time_is_over_or_somebody_came() -> None:
    events = [
        event(1, 20 * DAY),  # two weeks to respond
        event(2, 20 * DAY),
        event(3, 20 * DAY),
        event(4, 2 * DAY),  # still time
        event(5, 20 * DAY, stood=DAY),  # over before anyone had to come
        event(6, 2 * DAY, fault=Fault.RELIEF_DISCHARGING, severity=Severity.HIGH),
        event(7, 20 * DAY, stood=16 * DAY),
        event(8, 20 * DAY),
    ]
    trail = [
        taken(1, 19 * DAY),
        taken(1, DAY, "Bob"),
        taken(2, 5 * DAY),  # too late
        taken(6, 1.5 * DAY),
        replace(taken(3, 19 * DAY), act=Act.AMENDED, after="active_unacknowledged"),
        taken(8, 19 * DAY, act=""),  # a line of an older version
    ]
    found = figures(events, trail, NOW, 30, 1)
    assert found.response == {
        Severity.HIGH: Response(1, 1),
        Severity.MEDIUM: Response(5, 2),
        Severity.LOW: Response(0, 0),
    }


@given(st.lists(st.tuples(st.floats(0, 40 * DAY), st.integers(0, 4), st.booleans()), max_size=60))
def test_figures_hold_their_bounds(drawn: list[tuple[float, int, bool]]) -> None:
    events = [
        event(n, ago, site=f"s{site}", stood=ago / 2 if over else None)
        for n, (ago, site, over) in enumerate(drawn)
    ]
    found = figures(events, [], NOW, 30, 5)
    assert 0 <= found.told <= found.raised <= len(events)
    assert 0.0 <= found.flood_share <= 1.0
    assert found.peak <= found.told
    assert (found.flood_share > 0) <= (found.peak > 10)
    assert sum(found.priorities.values()) == found.told
    assert found.top_share is None or 0.0 < found.top_share <= 1.0
