"""Whether the heater's signal tells what the heater does: inverted, stuck, of another device, or clocks apart.

A line that stands above the supply is closed: nobody draws. There heat always lifts it, and nothing else
does at the rate of heat. So the report is held against the line in such minutes only; a draw, a creeping
regulator or a swing of the supply cannot decide.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.heater_counts import LAGS, Count, Counts
from monitor.diagnosis.signs.heater_expected import climb, recoveries
from monitor.diagnosis.signs.heater_off import Reported, Stopped
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.burns import Hour, Mark
from monitor.estimation.minutes import Grid, Level, Minutes
from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples
from monitor.site import HeaterKind, Site, Visit

_RELIEF: Final = 0.85  # of the relief setting: above it a valve that opens holds the line still
_SILENT: Final = 0.4  # share of "on" minutes that climb: of 98 healthy trial plants none had less than 0.8
_LONE: Final = 0.8  # share of "off" minutes that climb where the state is upside down
_STANDS: Final = 40.0  # minutes reported on in which the line stood
_CLIMBS: Final = 8.0  # minutes of climbs
_EPISODES: Final = 4
_SPAN: Final = 360  # minutes judged
_CHANCE: Final = 0.3  # of `Count.fit`: no relation
_WRONG_STARTS, _WRONG_EPISODES, _WRONG_SPAN = 8, 8, 1440
_SLIDES: Final = 0.5  # slides over climbs: more of them and it is no closed line that climbs
_FITS: Final = 0.7  # share of "on" minutes that climb where the report is right
_FITS_EPISODES: Final = 4
_EXPLAINED_AGAIN: Final = 0.6
_LATE, _LATE_SLOW = 5, 8  # min that the line may follow less: metal and coils hold heat back
_EARLY: Final = -2  # min: no line climbs before it is heated
_GAIN: Final = 0.12  # of `Count.fit` by another lag
_EXPLAINED: Final = 0.85
_STUCK: Final = 86400.0  # s
_STUCK_RECOVERIES: Final = 6.0  # times the whole water from cold, without a pause: no thermostat allows it
_PAUSE: Final = 3600.0  # s of silence: what happened then is not known


class HeaterState:
    """Sign of `Fault.HEATER_STATE_FAULT`."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._site, self._plant = site, plant
        self._speaker = Speaker(site)
        self._grid, self._level, self._counts = Grid(), Level(), Counts()
        self._on = Reported()
        self._stopped = Stopped(site)
        self._raised: str | None = None

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; every hour may tell."""
        del scene
        if not isinstance(mark, Hour) or len(mark.rows) == 0:
            return []
        minutes = self._hour(mark.rows)
        if mark.at - float(mark.rows.time[-1]) >= _PAUSE:
            self._on.since = None
            self._stopped.clear()
        opinion = self._opinion(minutes, mark.at)
        return [] if opinion is None else [opinion]

    def visit(self, visit: Visit) -> None:
        """Take note of a visit: the line stood open, and the tank may be another."""
        del visit
        self._grid.clear()

    def _hour(self, rows: Samples) -> Minutes | None:
        self._on.rows(rows)
        self._level.hour(rows.pressure * 1000.0)
        if not self._level.known:
            return None
        self._grid.add(rows, self._level.noise)
        expected = climb(self._site, self._plant, self._level.level)
        span = max(float(rows.time[-1] - rows.time[0]), 60.0)
        ceiling = np.inf if self._plant.relief is None else _RELIEF * self._plant.relief
        minutes = self._grid.judged(self._level, expected, 60.0 * len(rows) / span, ceiling)
        if minutes is not None:
            self._counts.add(minutes)
            self._stopped.add(minutes, expected)
        return minutes

    def _opinion(self, minutes: Minutes | None, at: float) -> Opinion | None:
        if self._raised is not None:
            return self._fits_again(at)
        found = self._stuck_on(at)
        if found is None and minutes is not None:
            found = self._stopped.opinion(at, self._speaker) or self._related()
        if found is not None:
            self._raised = str(found.evidence["kind"])
            self._counts.clear()
        return found

    def _fits_again(self, at: float) -> Opinion | None:
        """Return that report and line go together again, once they have for a while."""
        counts = self._counts.recent()
        if any(_off_by(count, self._late) is not None for count in counts):
            return None
        if any(_goes_together(count, self._late) for count in counts):
            self._raised = None
            self._stopped.clear()
            seen = "The line climbs when heat is reported again."
            return Opinion(Fault.HEATER_STATE_FAULT, 0.02, at, Severity.MEDIUM, seen)
        return None

    @property
    def _late(self) -> int:
        slow = self._site.heater.kind in {HeaterKind.INDIRECT, HeaterKind.LOOP}
        return _LATE_SLOW if slow else _LATE

    def _stuck_on(self, at: float) -> Opinion | None:
        since = self._on.since
        if since is None or at - since < _STUCK:
            return None
        times = recoveries(self._plant, at - since)
        count = self._counts.recent()[-1] if self._counts.recent() else None
        stands = 0.0 if count is None else count.at()[2]
        thermostat = self._site.heater.kind is not HeaterKind.LOOP and self._site.heater.input is not None
        stood = count is not None and stands >= _STANDS and float(count.answers()[LAGS.index(1)]) <= _SILENT
        if not stood and not (thermostat and times >= _STUCK_RECOVERIES):
            return None
        seen = (
            f"The heater has been reported on without a pause since {self._speaker.moment(since)}. In that time it "
            f"would have heated its whole water from cold {times:.0f} times, and its thermostat pauses between "
            f"heat-ups. In {stands:.0f} minutes of it the closed line stood still, as it does without heat. "
            "Remote data cannot tell a relay or contact that sticks from a signal of something else (mains "
            "power, a pump): compare the signal with the flame, or with the heater's current."
        )
        return self._say(0.97, since, seen, {"kind": "stuck_on", "recoveries": times, "stands_min": stands})

    def _related(self) -> Opinion | None:
        for count in self._counts.recent():
            found = self._inverted(count) or self._unrelated(count)
            if found is not None:
                return found
        return self._clock()

    def _inverted(self, count: Count) -> Opinion | None:
        climbs_on, climbs_off, stands_on, _ = count.at()
        if count.minutes < _SPAN or stands_on < _STANDS or climbs_off < _CLIMBS:
            return None
        silent = climbs_on <= _SILENT * (climbs_on + stands_on)
        if not silent or count.lone_share() < _LONE or count.episodes < _EPISODES:
            return None
        seen = (
            f"Since {self._speaker.moment(count.begin)} the closed line climbed as heat lifts it for "
            f"{climbs_off:.0f} minutes in {count.episodes} heat-ups while the heater was reported off, and stood "
            f"still for {stands_on:.0f} minutes while it was reported on: the signal is upside down. Only "
            f"{climbs_on:.0f} minutes speak against it. Whether the contact, the wiring or the settings invert it "
            "cannot be told from here: look at the flame or the heater's current, and at the reported state."
        )
        return self._say(0.98, count.begin, seen, {"kind": "inverted", **_numbers(count)})

    def _unrelated(self, count: Count) -> Opinion | None:
        climbs_on, climbs_off, stands_on, _ = count.at()
        few = count.minutes < _WRONG_SPAN or count.starts < _WRONG_STARTS or count.episodes < _WRONG_EPISODES
        if few or stands_on < _STANDS or count.slides > _SLIDES * (climbs_on + climbs_off):
            return None
        by_chance = float(np.max(count.fit())) <= _CHANCE and float(np.max(count.answers())) <= _SILENT
        if not by_chance or count.lone_share() > _SILENT or 2 * count.lone < count.episodes:
            return None
        seen = (
            f"Since {self._speaker.moment(count.begin)} the closed line climbed in {count.episodes} heat-ups, "
            f"{count.lone} of them with no heat reported within minutes, and stood still for {stands_on:.0f} minutes "
            f"while heat was reported ({count.starts} starts): the signal has nothing to do with the heat that "
            "reaches this line. It may belong to another heater or another device; a second heater on the line "
            "would explain the climbs, but not the reports without one. On site: start the heater and watch the "
            "reported state."
        )
        return self._say(0.96, count.begin, seen, {"kind": "unrelated", **_numbers(count)})

    def _clock(self) -> Opinion | None:
        if self._plant.loop:  # its load decides when the line climbs, not the burner alone
            return None
        halves = self._counts.halves()
        if halves is None:
            return None
        lags = [_off_by(count, self._late) for count in halves]
        if lags[0] is None or lags[1] is None or abs(lags[0] - lags[1]) > 1:
            return None
        both = halves[0].plus(halves[1])
        lag = LAGS[int(np.argmax(both.fit()))]
        side = "behind" if lag > 0 else "ahead of"
        seen = (
            f"Since {self._speaker.moment(both.begin)} the line climbs steadily some {abs(lag)} minutes {side} the "
            f"reported state of the heater, in {both.episodes} heat-ups; metal holds heat back for two or three "
            "minutes at most. Two clocks that differ explain it. Which of them is wrong cannot be told from here: "
            "compare both devices with a third clock."
        )
        return self._say(0.96, both.begin, seen, {"kind": "clock", "lag_s": 60.0 * lag, **_numbers(both)})

    def _say(
        self, probability: float, began: float, seen: str, evidence: dict[str, float | str | None]
    ) -> Opinion:
        return Opinion(Fault.HEATER_STATE_FAULT, probability, began, Severity.MEDIUM, seen, evidence)


def _off_by(count: Count, late: int) -> int | None:
    """Return the lag [min] that fits clearly better than any that metal explains, None without one."""
    if count.episodes < _EPISODES or float(np.sum(count.at()[:2])) < _CLIMBS:
        return None
    fit, explained = count.fit(), count.explained()
    best = int(np.argmax(fit))
    usual = float(np.max(fit[LAGS.index(_EARLY + 1) : LAGS.index(late)]))
    outside = LAGS[best] >= late or LAGS[best] <= _EARLY
    clear = fit[best] - usual >= _GAIN and explained[best] >= _EXPLAINED
    return LAGS[best] if outside and clear and count.answers()[best] >= _FITS else None


def _goes_together(count: Count, late: int) -> bool:
    """Whether the line climbs when heat is reported, and mostly then."""
    usual = slice(LAGS.index(0), LAGS.index(late))
    best = LAGS.index(0) + int(np.argmax(count.fit()[usual]))
    climbs, _, _, still = count.table[best].tolist()
    right = count.answers()[best] >= _FITS and count.explained()[best] >= _EXPLAINED_AGAIN
    seen = climbs >= _CLIMBS and still >= _STANDS and min(count.episodes, count.starts) >= _FITS_EPISODES
    return bool(right and seen and count.minutes >= _SPAN)


def _numbers(count: Count) -> dict[str, float | str | None]:
    climbs_on, climbs_off, stands_on, stands_off = count.at()
    return {
        "climbs_on_min": climbs_on,
        "climbs_off_min": climbs_off,
        "stands_on_min": stands_on,
        "stands_off_min": stands_off,
        "heat_ups": float(count.episodes),
        "starts_reported": float(count.starts),
    }
