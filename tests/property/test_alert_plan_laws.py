"""Laws of arranging: nothing that is owed is lost or told twice, nobody is flooded, urgency does not wait."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alerting.people import Manner
from monitor.alerting.plan import NEVER, URGENT_PACE, Person, plan
from monitor.service.lifecycle_groups import FLOOD_SPAN
from monitor.service.ports import Alert, AlertKind, Delivery, Sent, Wait, Waiting

NOON = 1_772_452_800.0
DAY = 86_400.0
STEP = 10.0

ALERTS = st.lists(
    st.tuples(
        st.integers(0, 60),  # step at which it is raised
        st.sampled_from(["blind", "water_loss", "air_charge_low"]),
        st.integers(0, 40),  # site
        st.sampled_from(["high", "medium", "medium", "low"]),
        st.one_of(st.none(), st.integers(1, 500)),  # steps until it is over
    ),
    max_size=60,
)
MANNERS = st.builds(
    Manner,
    quiet=st.sampled_from([None, (12 * 60 + 5, 15 * 60), (22 * 60, 7 * 60), (0, 13 * 60)]),
    group=st.sampled_from([0.0, 120.0, 600.0]),
    most=st.integers(1, 10),
    digest=st.sampled_from(["off", "daily", "weekly"]),
    digest_at=st.sampled_from([0, 12 * 60 + 10, 20 * 60]),
)


class World:
    """One person, what is owed, and what went out; carries plans out as the outbox does."""

    def __init__(self, manner: Manner) -> None:
        self.person = Person(manner, "UTC", lambda _: "UTC", self.compose)
        self.waiting: list[Waiting] = []
        self.sent: list[tuple[float, Alert]] = []
        self.parts: dict[str, list[str]] = {}
        self.number = 0

    def compose(self, kind: AlertKind, parts: Sequence[Waiting], now: float) -> Alert:
        key = f"{kind}/{parts[0].delivery.alert.key}"
        urgent = any(part.delivery.alert.urgent for part in parts)
        return Alert(key, "", "", "", "low", now, None, kind, urgent)

    def add(self, alert: Alert, fault: str, waits: Wait = Wait.NOTHING, due: float = 0.0) -> None:
        self.number += 1
        self.waiting.append(
            Waiting(Delivery(self.number, alert, "anna", 0, due), fault, standing=True, waits=waits)
        )

    def over(self, event: int) -> None:
        self.waiting = [
            dataclasses.replace(one, standing=False) if one.delivery.alert.event == event else one
            for one in self.waiting
        ]

    def look(self, now: float) -> None:
        recent = [
            Sent(when, alert.kind, "", alert.urgent) for when, alert in self.sent if when > now - FLOOD_SPAN
        ]
        made = plan(self.person, self.waiting, recent, now)
        holds = {hold.id: hold for hold in made.holds}
        for place, one in enumerate(self.waiting):
            if (hold := holds.get(one.delivery.id)) is not None:
                delivery = dataclasses.replace(one.delivery, due=hold.due)
                self.waiting[place] = dataclasses.replace(one, delivery=delivery, waits=hold.waits)
        for merge in made.merges:
            inside = [one for one in self.waiting if one.delivery.id in set(merge.ids)]
            assert len(inside) == len(merge.ids), "each is owed, and in one message only"
            self.parts[merge.alert.key] = [one.delivery.alert.key for one in inside]
            self.waiting = [one for one in self.waiting if one.delivery.id not in set(merge.ids)]
            self.add(merge.alert, merge.fault)
        self.send(now)

    def send(self, now: float) -> None:
        heads: set[int] = set()
        kept = []
        for one in self.waiting:
            event = one.delivery.alert.event
            blocked = event is not None and event in heads
            if event is not None:
                heads.add(event)
            if one.waits is Wait.NOTHING and one.delivery.due <= now and not blocked:
                self.sent.append((now, one.delivery.alert))
            else:
                kept.append(one)
        self.waiting = kept

    def told(self) -> list[str]:
        keys = []
        for _, alert in self.sent:
            keys += self.parts.get(alert.key, [alert.key])
        return keys


def happen(world: World, raised: list[tuple[int, str, int, str, int | None]]) -> tuple[int, list[str]]:
    """Raise and end alerts, look after each step; return the last step and the keys of all alerts."""
    owed: list[str] = []
    last = max((step + (length or 0) for step, *_, length in raised), default=0)
    for step in range(last + 1):
        now = NOON + STEP * step
        for event, (begin, fault, site, severity, length) in enumerate(raised):
            if begin == step:
                alert = Alert(
                    f"k{event}", f"s{site}", "", "", severity, now, event, urgent=severity == "high"
                )
                world.add(alert, fault, Wait.LOOK, NEVER)
                owed.append(alert.key)
            if length is not None and begin + length == step:
                world.over(event)
                ended = Alert(f"k{event}/ended", f"s{site}", "", "", severity, now, event, AlertKind.ENDED)
                world.add(ended, fault, Wait.LOOK, NEVER)
                owed.append(ended.key)
        world.look(now)
        late = [
            one
            for one in world.waiting
            if one.delivery.alert.urgent and now - one.delivery.alert.created > URGENT_PACE + STEP
        ]
        assert not late, "what is urgent waits a minute at most"
    return last, owed


@settings(max_examples=60, deadline=None)
@given(MANNERS, ALERTS)
def test_all_is_told_once_and_nobody_is_flooded(
    manner: Manner, raised: list[tuple[int, str, int, str, int | None]]
) -> None:
    world = World(manner)
    last, owed = happen(world, raised)
    now = NOON + STEP * last
    for _ in range(9 * 24 * 2):  # nine days: a weekly digest is due in them
        if not world.waiting:
            break
        now += 1800.0
        for second in range(6):  # what goes from one wait to the next needs a few looks
            world.look(now + second)
    assert not world.waiting
    assert sorted(world.told()) == sorted(owed)
    times = [when for when, alert in world.sent if not alert.urgent and alert.kind is not AlertKind.DIGEST]
    for time in times:
        assert sum(1 for other in times if time <= other < time + FLOOD_SPAN) <= manner.most
