"""The one analyser that the live service and ``examine`` share: rows in, findings and a report out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from monitor.diagnosis.facts import NINETY, Facts, facts_of
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.limits import Limits, limits_of, worst_case_peak
from monitor.diagnosis.relief import OPENS, discharge
from monitor.diagnosis.report import BlindSpan, ChargeEstimate, Forecast, Report
from monitor.diagnosis.rules import CERTAIN
from monitor.diagnosis.sight import GAP, Sight
from monitor.diagnosis.signs import signs_of
from monitor.diagnosis.signs.sign import Scene
from monitor.diagnosis.verdict import verdict_of
from monitor.diagnosis.watch import Watch
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY, Belief, first_belief, predict
from monitor.estimation.burns import Burn, BurnTracker, Gap, Hour, Mark, NearRelief
from monitor.estimation.charge import see, shaken
from monitor.estimation.heating import heating_of
from monitor.estimation.lag import Lag
from monitor.estimation.load import Load
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.rest import RestLine
from monitor.estimation.samples import Samples, empty
from monitor.estimation.trend import crossing
from monitor.estimation.visits import read_off, visited
from monitor.estimation.windows import Window, find_windows
from monitor.site import HeaterKind, Site, Visit

_QUARTER: Final = DAY / 4.0  # s: every day of a log then has estimates of its own
_KPA: Final = 1000.0


class Analyser:
    """Analyses one site as its readings come, in any batch size with the same result.

    Time comes with the data: nothing here asks a clock.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        self._plant: Plant = plant_of(site)
        relief = math.inf if site.relief is None else OPENS * site.relief / _KPA
        self._tracker = BurnTracker(relief)
        self._rest = RestLine(site.supply if site.supply is not None else self._plant.charge_target)
        self._lag = Lag(site.heater.kind)
        self._load = Load(self._plant.atmosphere) if site.heater.kind is HeaterKind.LOOP else None
        self._sight = Sight()
        self._speaker = Speaker(site)
        self._watch = Watch(site, self._plant)
        self._signs = signs_of(site, self._plant)
        self._belief: Belief | None = None
        self._visits: list[Visit] = []
        self._charge: list[ChargeEstimate] = []
        self._start: float | None = None
        self._last: float | None = None
        self._ticked = 0.0
        self._noted = 0.0  # the last quarter of a day for which an estimate was due
        self._samples = 0

    @property
    def given(self) -> Mapping[str, object]:
        """Return what follows from the site file alone, by name: no part of what was learned."""
        return {"site": self.site, "plant": self._plant}

    def feed(self, samples: Samples) -> list[Finding]:
        """Take rows later than all before; return findings that were raised or ended by them, in order."""
        samples = self._usable(samples)
        changed: list[Finding] = []
        # Visits take effect between the rows around them, wherever the batch was cut.
        for part in self._parts(samples):
            if isinstance(part, Visit):
                self._take_visit(part)
            else:
                changed += self._take_rows(part)
        return changed

    def visit(self, visit: Visit) -> list[Finding]:
        """Take a service visit into account from its time on; return findings that changed."""
        self._visits.append(visit)
        self._visits.sort(key=lambda v: v.time)
        return self.feed(empty())

    def tick(self, now: float) -> list[Finding]:
        """Tell that data time has reached ``now`` though no reading came; return findings that changed."""
        if self._last is None or now <= self._last:
            return []
        self._ticked = now
        return self._watch.silence(self._last, now)

    def report(self) -> Report:
        """Return all that is known up to the last reading or tick."""
        belief = self._now()
        charge = [*self._charge]
        if belief is not None and self._last is not None and (not charge or charge[-1].time < self._last):
            charge.append(self._estimate(self._last))
        now = max(self._last or 0.0, self._ticked)
        facts = None if belief is None else self._facts(belief)
        verdict, why = verdict_of(self._watch.findings, facts, self._sight, self._last, now, self._speaker)
        return Report(
            site=self.site.id,
            start=self._start,
            end=self._last,
            samples=self._samples,
            verdict=verdict,
            verdict_why=why,
            air_charge=tuple(charge),
            worst_case_peak_kpa=self._peak(belief),
            supply_kpa=None if self._last is None else self._rest.level / _KPA,
            findings=tuple(self._watch.findings),
            blind=tuple(self._blind(now)),
            forecast=None if belief is None else self._forecast(belief),
            last_window=self._sight.last_rise,
            windows=0 if self._belief is None else self._belief.windows,
        )

    def _usable(self, samples: Samples) -> Samples:
        keep = np.isfinite(samples.pressure) & np.isfinite(samples.time)
        if self._last is not None:
            keep &= samples.time > self._last
        if keep.all():
            return samples
        return Samples(
            samples.time[keep], samples.pressure[keep], samples.heater[keep], samples.temperature[keep]
        )

    def _parts(self, samples: Samples) -> list[Samples | Visit]:
        parts: list[Samples | Visit] = []
        first = 0
        while self._visits:
            row = int(np.searchsorted(samples.time, self._visits[0].time))
            reached = self._last is not None and self._last >= self._visits[0].time
            if row >= len(samples) and not reached:
                break
            parts += [samples.between(first, max(row, first)), self._visits.pop(0)]
            first = max(row, first)
        return [*parts, samples.between(first, len(samples))]

    def _take_rows(self, rows: Samples) -> list[Finding]:
        if len(rows) == 0:
            return []
        changed: list[Finding] = []
        if self._start is None:
            self._start = float(rows.time[0])
        if self._belief is None:
            self._belief = first_belief(self._plant, self._start)
        self._sight.rows(rows)
        self._samples += len(rows)
        for mark in self._tracker.feed(rows):
            self._last = mark.at
            changed += self._take_mark(mark)
        self._last = float(rows.time[-1])
        # A backlog that fills a silence leaves no gap behind: its rows alone end it.
        return changed + self._watch.heard(float(rows.time[0]))

    def _take_mark(self, mark: Mark) -> list[Finding]:
        if isinstance(mark, Gap):
            self._days(mark.at)
            self._sight.gap(mark.start, mark.at)
            told = self._watch.silence(mark.start, mark.at) + self._watch.heard(mark.at)
            return told + self._ask(mark)
        if isinstance(mark, Hour):
            self._days(mark.at)
            self._rest.hour(mark.rows)
            self._sight.response.hour(mark.rows)
            if self._load is not None:
                self._load.hour(mark.rows)
            self._sight.look(mark.at)
            return self._ask(mark) + self._watch.sight(self._sight, mark.at)
        if isinstance(mark, NearRelief):
            return self._near_relief(mark.rows, mark.at) + self._ask(mark)
        return self._burn(mark)

    def _ask(self, mark: Mark, windows: tuple[Window, ...] = ()) -> list[Finding]:
        """Ask every sign what it makes of a mark."""
        facts = self._facts(self._known())
        scene = Scene(facts, self._rest.line, self._lag, self._sight, windows)
        opinions = [opinion for sign in self._signs for opinion in sign.take(mark, scene)]
        changed = self._watch.consider(opinions, facts, mark.at) if opinions else []
        for opinion in opinions:
            if opinion.charge is not None and self._watch.standing(opinion.fault) is not None:
                self._belief = read_off(self._known(), opinion.charge, self._plant, mark.at)
        return changed

    def _burn(self, burn: Burn) -> list[Finding]:
        line = self._rest.line
        if line is not None:
            self._lag.burn(burn.rows, burn.tail, line.noise)
        heating = heating_of(self._lag, self._load, ended=burn.off is not None)
        windows = find_windows(burn.rows, heating, self._plant, line)
        self._sight.response.burn(burn)
        self._sight.burn(windows, burn.at, ended=burn.off is not None)
        changed = self._near_relief(burn.rows, burn.at) + self._ask(burn, tuple(windows))
        if self._watch.untrusted:
            return changed + self._watch.sight(self._sight, burn.at)
        # Below its charge a tank takes no part in a window; the bends of the line tell the charge itself.
        if self._sight.weighs and self._watch.standing(Fault.AIR_CHARGE_HIGH) is None:
            for window in windows:
                self._belief = see(self._known(), window, self._plant)
        changed += self._watch.judge(self._facts(self._known()), self._known(), windows, burn.at)
        return changed + self._watch.burn_passed(burn.at) + self._watch.sight(self._sight, burn.at)

    def _near_relief(self, rows: Samples, at: float) -> list[Finding]:
        fall = None if self._load is None else self._load.fall
        seen = discharge(rows, self._lag.seconds, self._known(), self._plant, fall)
        if seen is None:
            return []
        heating = heating_of(self._lag, self._load, ended=False)
        windows = find_windows(rows, heating, self._plant, self._rest.line)
        facts = self._facts(self._known())
        if facts.suspicion.lost < CERTAIN and self._watch.proves_loss(windows):
            self._belief = shaken(self._known(), windows, self._plant)
            facts = self._facts(self._known())
        return self._watch.discharge(seen, windows, facts, at)

    def _take_visit(self, visit: Visit) -> None:
        if self._belief is None:
            self._belief = first_belief(self._plant, visit.time)
        self._belief = visited(self._belief, visit, self._plant)
        self._watch.visit()
        self._rest.visit()
        for sign in self._signs:
            sign.visit(visit)

    def _known(self) -> Belief:
        if self._belief is None:
            raise AssertionError("a mark before the first row")
        return self._belief

    def _now(self) -> Belief | None:
        if self._belief is None or self._last is None:
            return None
        return predict(self._belief, self._last)

    def _facts(self, belief: Belief) -> Facts:
        return facts_of(belief, self._limits(), self._plant, self._rest.level, self._rest.highest)

    def _blind(self, now: float) -> list[BlindSpan]:
        if self._last is None:
            return []
        spans = self._sight.all_spans(self._last)
        if now - self._last >= GAP:
            spans.append(BlindSpan(self._last, now, "no readings arrived"))
        return spans

    def _limits(self) -> Limits:
        elastic = self._plant.elastic if self._belief is None else self._belief.elastic
        return limits_of(self._plant, self._rest.level, elastic)

    def _days(self, at: float) -> None:
        """Note the estimate at each quarter of a day (UTC) that has passed."""
        if self._start is None or self._belief is None:
            return
        # Before anything is known of the cushion, one loose guess a day says so often enough.
        known = self._belief.windows > 0 or self._belief.gauged
        self._noted = max(self._noted, self._start)
        quarter = (math.floor(self._noted / _QUARTER) + 1) * _QUARTER
        while quarter <= at:
            if known or quarter % DAY == 0.0:
                self._charge.append(self._estimate(quarter))
            self._noted = quarter
            quarter += _QUARTER

    def _estimate(self, time: float) -> ChargeEstimate:
        belief = predict(self._known(), time)
        gauge = self._plant.charge_gauge
        return ChargeEstimate(
            time,
            gauge(belief.air) / _KPA,
            gauge(belief.air_quantile(-NINETY)) / _KPA,
            gauge(belief.air_quantile(NINETY)) / _KPA,
            belief.windows,
        )

    def _peak(self, belief: Belief | None) -> float | None:
        if belief is None or belief.windows == 0:
            return None
        peak = worst_case_peak(self._plant, self._rest.level, belief.air, belief.elastic)
        return peak / _KPA if math.isfinite(peak) else None

    def _forecast(self, belief: Belief) -> Forecast | None:
        limits = self._limits()
        for air in (limits.low, limits.relief):
            when = None if air is None else crossing(belief, air)
            if when is not None and air is not None:
                high = when[2] if math.isfinite(when[2]) else None
                return Forecast(when[0], when[1], high, self._plant.charge_gauge(air) / _KPA)
        return None
