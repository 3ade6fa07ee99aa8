"""Whether a heater that is reported off for days heats all the same: the signal stuck at off.

Where the heater was seen at work before, it is known how often and how fast this line is heated, and that
nothing else heats it. Equal heaters that take turns help each other out at the peaks of the day, so that days
of work without climbs of another source speak against them. A heater that was never reported on since the first
reading while the line is heated day and night has a signal that does not tell of the heat of this line,
whichever heater makes it; the sun, which heats by day only, is left alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import median
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.sign import Opinion
from monitor.diagnosis.words import Speaker
from monitor.estimation.minutes import Flags, Minutes
from monitor.estimation.samples import Samples
from monitor.site import Site

_DAY: Final = 86400.0
_LEARNED: Final = 40  # minutes of climbs with the heater on
_LEARNED_DAYS: Final = 3.0  # equal heaters that share the work have helped each other by then
_ALONE: Final = 0.85  # of the climbs came with this heater: there is no other source
_QUIET: Final = 1.5 * _DAY  # off without a break
_NEVER: Final = 0.8 * _DAY  # off since the first reading: a night is in it
_EPISODES: Final = 6
_NIGHT: Final = 2  # of them between 21 and 6 o'clock: the sun does not heat then
_PACE: Final = 0.4  # of the minutes of climbs a day before
_ALIKE: Final = (0.6, 1.7)  # slope over that of the known heater
_EXPECTED: Final = (0.4, 4.0)  # slope over that of the healthy tank: little air makes it steeper
_KEPT: Final = 40
_MEMORY: Final = 0.998  # of the counts an hour
_ON: Final = 0.5
_SURE: Final = 0.95  # equal heaters that take turns by the week, without help at peaks, look the same


@dataclass(slots=True)
class Reported:
    """Since when the heater is reported on without a pause, None while it is off."""

    since: float | None = None

    def rows(self, rows: Samples) -> None:
        """Take rows of an hour."""
        off = np.flatnonzero(~(rows.heater > 0.5) & np.isfinite(rows.heater))
        on = np.flatnonzero(rows.heater > 0.5)
        if len(off):
            later = on[on > off[-1]]
            self.since = float(rows.time[later[0]]) if len(later) else None
        elif len(on) and self.since is None:
            self.since = float(rows.time[on[0]])


class Stopped:
    """Remembers the heater at work, and what the line does while it is reported off for days."""

    def __init__(self, site: Site) -> None:
        self._zone = ZoneInfo(site.timezone)
        self._first: float | None = None
        self._on = self._off = 0.0  # minutes of climbs with the heater on and off, fading
        self._hours = 0.0  # fading likewise
        self._slopes: list[float] = []
        self._expected = 0.0
        self._worked = False
        self.clear()

    def clear(self) -> None:
        """Begin a new spell of off."""
        self._since: float | None = None
        self._minutes = 0
        self._off_hours = 0.0
        self._episodes = self._night = 0
        self._new: list[float] = []
        self._slides = 0
        self._climbing = False

    def add(self, minutes: Minutes, expected: float) -> None:
        """Take judged minutes."""
        self._expected = expected
        at = 60.0 * minutes.first
        self._first = at if self._first is None else self._first
        state = minutes.on_at(1)
        near = minutes.on_at(-3) + state + minutes.on_at(4)
        if np.nanmax(minutes.on, initial=0.0) > _ON:
            self._worked = True
            # What climbed in a spell that the heater itself ended was another source's doing.
            self._off += self._minutes
            self._hours += self._off_hours
            self._work(minutes, state > _ON, near > _ON)
            self.clear()
        elif np.isfinite(minutes.on).all():
            self._since = at if self._since is None else self._since
            self._spell(minutes, at)

    def _work(self, minutes: Minutes, on: Flags, near: Flags) -> None:
        here, other = minutes.climbs & on, minutes.climbs & ~near
        self._on = self._on * _MEMORY + float(np.count_nonzero(here))
        self._off = self._off * _MEMORY + float(np.count_nonzero(other))
        self._hours = self._hours * _MEMORY + len(minutes.climbs) / 60.0
        if here.any():
            self._slopes = [*self._slopes[1 - _KEPT :], float(np.median(minutes.slope[here]))]

    def _spell(self, minutes: Minutes, at: float) -> None:
        climbs = minutes.climbs
        starts = np.count_nonzero(climbs & ~np.append(self._climbing, climbs[:-1]))
        self._climbing = bool(climbs[-1])
        self._slides += int(np.count_nonzero(minutes.slides))
        self._minutes += int(np.count_nonzero(climbs))
        self._episodes += int(starts)
        self._off_hours += len(climbs) / 60.0
        if starts:
            hour = datetime.fromtimestamp(at, UTC).astimezone(self._zone).hour
            self._night += int(starts) if hour >= 21 or hour < 6 else 0
            self._new = [*self._new[1 - _KEPT :], float(np.median(minutes.slope[climbs]))]

    def _alike(self, at: float) -> float | None:
        """Return slope now over that of this heater if the line climbs as by it: as often, at night too.

        None where it does not, or falls back as fast as it climbs.
        """
        if self._since is None or self._first is None or not self._heated():
            return None
        lasted = at - self._since
        if not self._worked:
            ratio = median(self._new) / max(self._expected, 1e-9)
            return ratio if lasted >= _NEVER and _EXPECTED[0] <= ratio <= _EXPECTED[1] else None
        known = self._on >= _LEARNED and self._since - self._first >= _LEARNED_DAYS * _DAY
        if lasted < _QUIET or not known or self._on < _ALONE * (self._on + self._off):
            return None
        pace = self._minutes / (lasted / 3600.0)
        ratio = median(self._new) / median(self._slopes)
        often = pace >= _PACE * self._on / self._hours
        return ratio if often and _ALIKE[0] <= ratio <= _ALIKE[1] else None

    def _heated(self) -> bool:
        """Whether the spell has climbs enough, at night too, and no slides that say otherwise."""
        return self._episodes >= _EPISODES and self._night >= _NIGHT and 2 * self._slides <= self._minutes

    def opinion(self, at: float, speaker: Speaker) -> Opinion | None:
        """Return what is thought of the spell of off so far."""
        ratio = self._alike(at)
        if ratio is None or self._since is None:
            return None
        before = (
            "as fast and about as often as when this heater was reported on"
            if self._worked
            else "as fast as this heater should lift it, and it has never been reported on"
        )
        seen = (
            f"The heater has been reported off since {speaker.moment(self._since)}, but the closed line climbed in "
            f"{self._episodes} heat-ups since, {before}, "
            f"{self._night} of them at night: the signal is stuck at off, or is not that of the heat of this line. "
            "A creeping regulator or the supply would not climb at that rate. Another heater that has taken over "
            "would look the same, and its state would have to be reported too: look whether this one fires."
        )
        evidence: dict[str, float | str | None] = {
            "kind": "stuck_off",
            "heat_ups": float(self._episodes),
            "heat_ups_at_night": float(self._night),
            "slope_over_known": ratio,
            "climbs_min": float(self._minutes),
        }
        return Opinion(Fault.HEATER_STATE_FAULT, _SURE, self._since, Severity.MEDIUM, seen, evidence)
