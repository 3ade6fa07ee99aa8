"""Readings and refusals that carry numbers: what came already is left out, what is missing is noted.

Each function runs in its caller's transaction: numbers are on the disk with their readings, or neither is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import apsw

from monitor.readings import Origin, Reading, Rejected
from monitor.service.ports import Gap, SetBack
from monitor.store import clocks, numbering
from monitor.store.clocks import Sample, ToldAt
from monitor.store.numbering import Boot, Boots
from monitor.store.tables import microseconds, second_values, series_number
from monitor.store.taken import Known, Taken, lane_of


@dataclass(slots=True)
class Sifted:
    """What remains to be stored: ``readings`` by their stamps, ``retold`` ones (with their series) apart."""

    readings: list[Reading]
    rejected: list[Rejected]
    retold: list[tuple[int, Reading]] = field(default_factory=list)
    numbered: dict[int, int] = field(default_factory=dict)
    """Series of the readings with a number that is new, by the place of the reading in ``readings``."""
    devices: list[str] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    set_backs: list[SetBack] = field(default_factory=list)
    untracked: list[str] = field(default_factory=list)
    restart: list[str] = field(default_factory=list)


def sift(db: apsw.Connection, readings: Sequence[Reading], rejected: Sequence[Rejected]) -> Sifted:
    """Return what is new of a batch, and note all its numbers."""
    origins = [*(reading.origin for reading in readings), *(row.origin for row in rejected)]
    heard = [origin.heard for origin in origins if origin is not None]
    if not heard:
        return Sifted(list(readings), list(rejected))
    now = max(heard)
    intake = _Intake(db, now)
    numbering.give_up(db, now)
    kept = [row for row in rejected if intake.is_new_refusal(row)]
    for reading in readings:
        intake.take(reading)
    return intake.finish(kept)


class _Intake:
    def __init__(self, db: apsw.Connection, now: float) -> None:
        self._db = db
        self._boots = Boots(db, now)
        self._taken = Taken(db)
        self._series: dict[tuple[str, str], int] = {}
        self._plain: list[Reading] = []
        self._new: dict[int, tuple[Boot, Sample, int]] = {}
        """Readings with a new number, by their place in ``_plain``."""
        self._told_now: set[ToldAt] = set()
        """What this batch has told with a number that is new."""
        self._again: dict[int, ToldAt] = {}
        """Readings with a time of their own and a number that has come, by their place in ``_plain``."""
        self._repeated: dict[tuple[int, int], int] = {}
        """Newest time [us] of readings whose number has come before, by boot and series."""

    def is_new_refusal(self, row: Rejected) -> bool:
        """Note the numbers of a refusal; tell whether it is listed for the first time."""
        origins = [origin for origin in (row.origin, *row.others) if origin is not None]
        known = [self._note(origin, lane_of(origin.topic or row.topic))[1] for origin in origins]
        return not known or any(found is not Known.TAKEN for found in known)

    def take(self, reading: Reading) -> None:
        """Note the number of a reading, and keep the reading unless that number has come before.

        A message that comes again has the time that it had. A number that has come is therefore looked at again
        where the device gave it a time of its own: with another time it is another message.
        """
        origin = reading.origin
        if origin is not None:
            name = (reading.site, reading.point.value)
            if name not in self._series:
                self._series[name] = series_number(self._db, *name)
            series = self._series[name]
            boot, known = self._note(origin, lane_of(origin.topic) if origin.topic else series)
            time_us = microseconds(reading.time)
            if boot is not None and known is Known.TAKEN:
                if reading.time == origin.heard:  # stamped by its arrival
                    place = (boot.id, series)
                    self._repeated[place] = max(self._repeated.get(place, -1), time_us)
                    return
                self._again[len(self._plain)] = ToldAt(boot.id, series, origin.sequence, time_us)
            if boot is not None and known is Known.NEW:
                self._told_now.add(ToldAt(boot.id, series, origin.sequence, time_us))
                sample = Sample(origin.sequence, time_us, reading)
                self._new[len(self._plain)] = (boot, sample, series)
        self._plain.append(reading)

    def finish(self, rejected: list[Rejected]) -> Sifted:
        """Write the numbers down; return what is to be stored."""
        self._taken.write(self._boots.all())
        sifted = Sifted([], rejected, untracked=self._boots.untracked())
        mine: dict[int, dict[int, list[Sample]]] = defaultdict(lambda: defaultdict(list))
        for boot, sample, series in self._new.values():
            mine[boot.id][series].append(sample)
        again: set[int] = set()
        for boot in self._boots.all():
            opened = numbering.advance(self._db, boot)
            retold, steps = clocks.judge(self._db, boot, mine[boot.id])
            sifted.gaps += opened
            sifted.set_backs += steps
            again |= {id(sample) for sample in retold}
        anew = {place: told for place, told in self._again.items() if told not in self._told_now}
        anew = clocks.untold(self._db, anew)
        sifted.restart = clocks.restarted(
            self._db, self._boots.all(), self._repeated, {told.numbering for told in anew.values()}
        )
        sifted.devices = sorted({boot.device for boot in self._boots.all()})
        for place, reading in enumerate(self._plain):
            if place in self._again and place not in anew:
                continue
            found = self._new.get(place)
            if found is not None and id(found[1]) in again:
                sifted.retold.append((found[2], reading))
                continue
            if found is not None:
                sifted.numbered[len(sifted.readings)] = found[2]
            sifted.readings.append(reading)
        return sifted

    def _note(self, origin: Origin, lane: int) -> tuple[Boot | None, Known]:
        boot = self._boots.of(origin.device, origin.boot, origin.sequence)
        if boot is None:
            return None, Known.FORGOTTEN
        boot.heard = max(boot.heard, origin.heard)
        boot.numbers.add(origin.sequence)
        return boot, self._taken.take(boot, lane, origin.sequence, origin.heard)


def keep_apart(db: apsw.Connection, sifted: Sifted, new: Sequence[Reading]) -> tuple[int, list[Rejected]]:
    """Store the retold readings, and those whose stamp another number has already; return how many they are.

    ``new`` are those of ``sifted.readings`` that were stored by their stamps. Of the others, those that are a
    second value of a time and not kept apart are returned as refused.
    """
    hidden: list[tuple[int, Reading]] = []
    refused: list[Rejected] = []
    if len(new) < len(sifted.readings):
        hidden = _hidden(sifted, new)
        kept = {id(reading) for reading in new} | {id(reading) for _, reading in hidden}
        refused = second_values(db, [reading for reading in sifted.readings if id(reading) not in kept])
    rows = [*sifted.retold, *hidden]
    clocks.keep_retold(db, rows)
    return len(rows), refused


def _hidden(sifted: Sifted, new: Sequence[Reading]) -> list[tuple[int, Reading]]:
    stored = {id(reading) for reading in new}
    places: set[tuple[int, int, Origin]] = set()
    hidden: list[tuple[int, Reading]] = []
    for place, series in sifted.numbered.items():
        reading = sifted.readings[place]
        if reading.origin is None:
            continue
        key = (series, microseconds(reading.time), reading.origin)
        if id(reading) not in stored and key not in places:
            hidden.append((series, reading))
        places.add(key)
    return hidden
