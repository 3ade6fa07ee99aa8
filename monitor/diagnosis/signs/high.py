"""A supply above the local limit: the level right after draws, over days and by the hour of the day.

Growth and the check valve hold the line above its supply at other times, so only that level counts. Small draws may
leave some growth in the line: the lowest levels of each quarter of a day are nearest to the supply.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.sign import Opinion
from monitor.diagnosis.static import static_limit
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import DAY, normal_cdf
from monitor.estimation.samples import FloatArray
from monitor.estimation.supply import Drawn
from monitor.site import Site

_QUARTER: Final = DAY / 4.0
_NEEDED: Final = 5  # quarters with a draw, over a day at least
_DRAWS: Final = 3  # in a quarter: one alone may have left growth in the line
_KEPT: Final = 10
_KEEP: Final = 7 * DAY  # where few draws are seen it takes that long to have enough
_OFFSET: Final = 5e3  # Pa, sd: half a per cent of a sensor of 10 bar
_ABSOLUTE: Final = 12e3  # Pa: how near a reading may be to the stated supply, read as absolute
_SHUT: Final = 0.5  # of the usual level: the water side stood relieved
_DOUBT: Final = 0.9
_FITS: Final = 0.15  # of the stated supply
_KPA: Final = 1000.0


class High:
    """Judges the supply of the last days against the limit."""

    def __init__(self, site: Site, speaker: Speaker, atmosphere: float) -> None:
        self._limit = static_limit(site)
        self._site, self._speaker, self._atmosphere = site, speaker, atmosphere
        self._quarter = -1.0
        self._now: list[float] = []  # levels of the quarter in progress
        self._levels: list[tuple[float, float]] = []  # beginning of a quarter, level
        self._since: float | None = None
        self._fitted = False  # the line has once stood near the supply of the site file

    def take(self, drawn: list[Drawn], at: float) -> list[Opinion]:
        """Take levels after draws; an opinion each quarter of a day that had draws."""
        told: list[Opinion] = []
        for one in drawn:
            if one.heated:
                continue
            quarter = one.at // _QUARTER
            if quarter > self._quarter:
                told += self._close(at)
                self._quarter = quarter
            self._now.append(one.level)
        return told[-1:]

    def _close(self, at: float) -> list[Opinion]:
        """End the quarter in progress; one with few draws goes on into the next."""
        if len(self._now) < _DRAWS:
            return []
        level = min(self._now)
        self._now = []
        usual = self._level()
        if usual is not None and level < _SHUT * usual:
            return []
        begin = self._quarter * _QUARTER
        self._levels = [p for p in self._levels[1 - _KEPT :] if p[0] > begin - _KEEP] + [(begin, level)]
        stated = self._site.supply
        self._fitted = self._fitted or (stated is not None and abs(level - stated) < _FITS * stated)
        return self._opinion(at)

    def _level(self) -> float | None:
        """Return the level that three in four quarters of a day pass: some may have had small draws only."""
        return float(np.quantile([p for _, p in self._levels], 0.25)) if self._levels else None

    def _opinion(self, at: float) -> list[Opinion]:
        level = self._level()
        if level is None or not math.isfinite(self._limit):
            return []
        values = np.array([p for _, p in self._levels])
        spread = 1.4826 * float(np.median(np.abs(values - np.median(values))))
        doubt = math.hypot(_OFFSET, 1.25 * spread / math.sqrt(len(values)))
        probability = normal_cdf((level - self._limit) / doubt)
        if probability < 0.5:
            self._since = None
        elif self._since is None:
            self._since = next((t for t, p in self._levels if p > self._limit), at)
        enough = len(values) >= _NEEDED and self._levels[-1][0] - self._levels[0][0] >= DAY
        if not enough or self._reads_absolute(level):
            probability = min(probability, _DOUBT)
        began = at if self._since is None else self._since
        return [self._say(probability, began, level, values)]

    def _reads_absolute(self, level: float) -> bool:
        """Whether the line stands where it would if the stated supply were read as absolute, and always has."""
        stated = self._site.supply
        return not self._fitted and stated is not None and abs(level - stated - self._atmosphere) < _ABSOLUTE

    def _say(self, probability: float, began: float, level: float, values: FloatArray) -> Opinion:
        show, stated = self._speaker, self._site.supply
        low, high = float(values.min()), float(values.max())
        seen = (
            f"Since {show.moment(began)} the supply, as the line shows it right after draws, has stood at about "
            f"{show.pressure(level)} or more ({show.number(low)} to {show.pressure(high)} by the hour), above the "
            f"{show.pressure(self._limit)} allowed at rest."
        )
        if stated is not None and abs(level - stated) >= _FITS * stated:
            seen += f" The site file says {show.pressure(stated)}."
        seen += " A sensor that reads too high would look the same: hold a gauge to a tap before anything is fitted."
        evidence: dict[str, float | str | None] = {
            "supply_kpa": round(level / _KPA, 2),
            "supply_low_kpa": round(low / _KPA, 2),
            "supply_high_kpa": round(high / _KPA, 2),
            "limit_kpa": round(self._limit / _KPA, 2),
            "quarters": len(values),
        }
        return Opinion(Fault.SUPPLY_PRESSURE_HIGH, probability, began, Severity.MEDIUM, seen, evidence)
