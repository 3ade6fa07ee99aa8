"""Events against every order of acts, on a real store: none that stands is lost, none that is urgent is kept quiet.

The machine knows only what was raised and what has ended; what people are told is compared with what may be told.
"""

from __future__ import annotations

import math
import tempfile
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.timings import LONGEST_SHELF, URGENT_SHELF
from monitor.errors import InputError
from monitor.readings import Point
from monitor.service.lifecycle import is_urgent, silence
from monitor.service.lifecycle_records import OutOfService, Shelf, Silence
from monitor.service.ports import Alert, Event, EventState
from monitor.store.sqlite import SqliteStore

T0 = 1.7e9
HOUR = 3600.0
SITES = st.sampled_from(["mill", "shed"])
FAULTS = (
    Fault.PRESSURE_SENSOR_FAULT,
    Fault.AIR_CUSHION_LOST,
    Fault.RELIEF_DISCHARGING,
    Fault.AIR_CHARGE_LOW,
    Fault.BLIND,
)
PAIRS = [(site, fault) for fault in FAULTS for site in ("mill", "shed")]
PICK = st.integers(0, 1_000)
LENGTHS = st.floats(0.1 * HOUR, 7 * HOUR) | st.floats(-HOUR, 40 * 24 * HOUR)
POINTS = st.sampled_from([None, Point.PRESSURE, Point.HEATER])


def alert(site: str, finding: Finding, news: str) -> dict[str, Alert]:
    key = f"{site}/{finding.fault}/{finding.raised}/{news}"
    return {"mail": Alert(key, site, key, "", finding.severity.value, finding.raised)}


class Life(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "store.db"
        self.store = SqliteStore(self.path)
        self.now = T0
        self.stands: dict[int, tuple[str, Finding]] = {}
        self.over: set[int] = set()
        self.confirmed: set[int] = set()

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()

    @initialize(choices=st.lists(PICK, min_size=3, max_size=5))
    def begin(self, choices: list[int]) -> None:
        assert self.store.events() == []
        for choice in choices:
            self.raise_event(choice, Severity.MEDIUM)

    def pick(self, choice: int) -> int:
        return sorted(self.stands)[choice % len(self.stands)]

    def free(self) -> list[tuple[str, Fault]]:
        """Return what can be raised: the diagnosis raises no fault that stands."""
        standing = {(site, finding.fault) for site, finding in self.stands.values()}
        return [pair for pair in PAIRS if pair not in standing]

    @precondition(lambda self: self.free())
    @rule(choice=PICK, severity=st.sampled_from(Severity))
    def raise_event(self, choice: int, severity: Severity) -> None:
        free = self.free()
        site, fault = free[choice % len(free)]
        self.now += 1.0
        finding = Finding(fault, self.now, self.now, severity, 0.99, "", "", "", {})
        event = self.store.raise_event(site, finding, alert(site, finding, "raised"))
        assert event is not None
        self.stands[event.number] = (site, finding)

    @precondition(lambda self: self.stands)
    @rule(choice=PICK)
    def discharge(self, choice: int) -> None:
        number = self.pick(choice)
        site, finding = self.stands[number]
        more = replace(finding, evidence={"relief_discharging_since": self.now})
        if self.store.amend_event(site, more, alert(site, finding, "relief")) is not None:
            self.stands[number] = (site, more)

    @precondition(lambda self: self.stands)
    @rule(choice=PICK)
    def end(self, choice: int) -> None:
        self.end_event(self.pick(choice))

    @precondition(lambda self: self.causes())
    @rule(choice=PICK)
    def end_first_cause(self, choice: int) -> None:
        self.end_event(sorted(self.causes())[choice % len(self.causes())])

    def causes(self) -> set[int]:
        return {one.cause for one in self.store.events() if one.state.active and one.cause}

    def end_event(self, number: int) -> None:
        site, finding = self.stands.pop(number)
        self.now += 1.0
        over = replace(finding, ended=self.now)
        assert self.store.end_event(site, over, alert(site, finding, "over")) is not None
        self.over.add(number)

    @precondition(lambda self: self.stands or self.over)
    @rule(choice=PICK)
    def acknowledge(self, choice: int) -> None:
        known = sorted([*self.stands, *self.over])
        self.store.acknowledge_event(known[choice % len(known)], "Ada", self.now)

    @precondition(lambda self: self.stands)
    @rule(choice=PICK, length=LENGTHS, confirm=st.booleans())
    def shelve(self, choice: int, length: float, confirm: bool) -> None:
        number = self.pick(choice)
        event = self.store.event(number)
        assert event is not None
        urgent = is_urgent(event)
        longest = URGENT_SHELF if urgent else LONGEST_SHELF[event.finding.severity]
        until = self.now + length
        wanted = 0 < until - self.now <= longest and (confirm or not urgent)
        try:
            self.store.shelve_event(number, Shelf(self.now, until, "Ada", "known", confirm))
        except InputError:
            assert not wanted
        else:
            assert wanted
            (self.confirmed.add if urgent else self.confirmed.discard)(number)

    @precondition(lambda self: self.shelved())
    @rule(choice=PICK)
    def unshelve(self, choice: int) -> None:
        shelved = self.shelved()
        after = self.store.unshelve_event(shelved[choice % len(shelved)], "Ada", self.now, "again")
        assert after is not None
        assert after.shelf is None

    def shelved(self) -> list[int]:
        return [event.number for event in self.store.events(open_only=True) if event.shelf]

    @precondition(lambda self: len(self.store.outs()) < 2)
    @rule(site=SITES, point=POINTS, confirm=st.booleans())
    def take_out(self, site: str, point: Point | None, confirm: bool) -> None:
        until = self.now + URGENT_SHELF if confirm else None
        out = any((one.site, one.point) == (site, point) for one in self.store.outs())
        try:
            self.store.take_out(OutOfService(0, site, point, self.now, "Ada", "work", until))
        except InputError:
            assert out
        else:
            assert not out

    @precondition(lambda self: self.store.outs())
    @rule(choice=PICK)
    def put_back(self, choice: int) -> None:
        outs = self.store.outs()
        out = outs[choice % len(outs)]
        self.store.put_back(out.site, out.point, "Ada", self.now, "done")
        assert self.store.outs() == [one for one in outs if one != out]
        with suppress(InputError):
            self.store.put_back(out.site, out.point, "Ada", self.now, "again")
            raise AssertionError("put back twice")

    @rule(hours=st.floats(0.1, 40 * 24))
    def wait(self, hours: float) -> None:
        self.now += hours * HOUR
        self.store.lapse(self.now)
        assert self.store.lapse(self.now) == 0
        for event in self.store.events(limit=10_000):
            assert event.shelf is None or event.shelf.until > self.now

    @rule()
    def start_again(self) -> None:
        self.store.close()
        self.store = SqliteStore(self.path)

    @invariant()
    def nothing_is_lost(self) -> None:
        events = {event.number: event for event in self.store.events(limit=10_000)}
        assert set(events) == {*self.stands, *self.over}
        opened = {event.number for event in self.store.events(open_only=True, limit=10_000)}
        for number, (site, finding) in self.stands.items():
            assert events[number].state.active
            assert (events[number].site, events[number].finding) == (site, finding)
            assert number in opened
        for number in self.over:
            assert not events[number].state.active
            assert (events[number].shelf, events[number].out) == (None, None)
        assert {event.number for event in self.store.events_raised(math.inf)} == set(self.stands)

    @invariant()
    def what_may_be_told_is_owed_and_nothing_is_both(self) -> None:
        with self.store.database.read() as db:
            owed = {key for (key,) in db.execute("SELECT key FROM delivery")}
            kept = {key for (key,) in db.execute("SELECT key FROM withheld")}
        assert not owed & kept
        for number, (site, finding) in self.stands.items():
            event = self.store.event(number)
            assert event is not None
            key = f"{site}/{finding.fault}/{finding.raised}/raised"
            assert (key in owed) != (key in kept)
            if silence(event) is None:
                assert key in owed
            if silence(event) is Silence.BY_DESIGN:
                assert event.cause in self.stands
            if is_urgent(event):
                assert silence(event) is None or self._confirmed(event)
                assert silence(event) is not None or self._told_of_the_relief(event, owed)
        ends = {number for number in self.over if self._key(number) in kept}
        assert ends == set()

    def _key(self, number: int) -> str:
        event = self.store.event(number)
        assert event is not None
        return f"{event.site}/{event.finding.fault}/{event.finding.raised}/raised"

    def _confirmed(self, event: Event) -> bool:
        shelved = event.shelf is not None and event.number in self.confirmed
        return shelved or bool(event.out and event.out.urgent_until is not None)

    @staticmethod
    def _told_of_the_relief(event: Event, owed: set[str]) -> bool:
        if event.finding.fault is Fault.RELIEF_DISCHARGING:
            return True
        return f"{event.site}/{event.finding.fault}/{event.finding.raised}/relief" in owed

    @invariant()
    def trails_lead_from_state_to_state(self) -> None:
        for event in self.store.events(limit=10_000):
            trail = self.store.event_changes(event.number)
            assert trail[0].before is None
            for one, after in pairwise(trail):
                assert after.before is one.after
            assert trail[-1].after is event.state
            assert all(one.who and one.why and one.act for one in trail)
            if event.state is EventState.ACTIVE_ACKNOWLEDGED:
                assert "Ada" in {one.who for one in trail}


Life.TestCase.settings = settings(max_examples=30, stateful_step_count=40, deadline=None)
TestLife = Life.TestCase
