"""A line that sinks below its supply: the valve upstream is shut, and water leaves all the same.

Cooling alone lets a line that is shut off sink too, down to nothing once its tank has given its water back,
and the next burn brings it up again. But then it stays up for the same share of the rest as of the burn: what
the burn made grow, the rest takes back, and the pressure is the same at the same volume. A line that is up
for much less of the rest than of the burn loses water besides; so does one that sinks from burn to burn.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.diagnosis.signs.after import thinned
from monitor.diagnosis.signs.sign import Scene
from monitor.estimation.burns import Burn, Gap, Hour, Mark
from monitor.estimation.samples import FloatArray

_DAYS: Final = 7
_LEAST: Final = 40e3  # Pa below the usual
_SHARE: Final = 0.15  # of the usual, gauge
_BURNS: Final = 3
_FALLING: Final = 10e3  # Pa from the first burn's end to the last
_BELOW: Final = 0.04  # of the usual: thermostats repeat to a kelvin
_UP: Final = 0.3  # of the usual: above it the line is up
_SOONER: Final = 0.5  # of the share of the rest that cooling alone would leave the line up
_LONG: Final = 7200.0  # s of rest
_SETTLED: Final = 900.0  # s after heat
_KPA: Final = 1000.0
_CERTAIN: Final = 0.96

Sunk = tuple[float, float, dict[str, float | str | None]]


class Sinking:
    """Follows the hourly level; answers with probability, since when, and the numbers."""

    def __init__(self) -> None:
        self._lows: list[float] = []  # lowest hourly level of each of the last days
        self._day, self._low = -math.inf, math.inf
        self.clear()

    def clear(self) -> None:
        """Forget the sinking in progress."""
        self._since: float | None = None
        self._off, self._fell = math.nan, math.nan  # last burner-off, and when the line was down after it
        self._up = 0.0  # share of the last burn
        self._sooner = list[float]()  # share of the rest over share of the burn for which the line was up
        self._tops, self._told = list[float](), False

    def take(self, mark: Mark, scene: Scene) -> Sunk | None:
        """Take the next mark."""
        if isinstance(mark, Gap):
            self.clear()
        elif isinstance(mark, Hour):
            return self._hour(mark, scene)
        elif isinstance(mark, Burn) and self._since is not None and mark.off is not None:
            return self._burn(mark, mark.off)
        return None

    def _hour(self, mark: Hour, scene: Scene) -> Sunk | None:
        rows = thinned(mark.rows)
        on = rows.heater > 0.5
        if len(rows) - np.count_nonzero(on) < 10 or scene.line is None:
            return None
        p = rows.pressure * _KPA
        if self._since is None:
            level, usual = float(np.quantile(p[~on], 0.25)), min(self._lows, default=math.nan)
            if len(self._lows) < 2 or not level < usual - self._margin(usual):
                self._learn(mark.at, level)
                return None
            self._since = mark.at - 3600.0
        usual = min(self._lows)
        self._watch_fall(rows.time, p < _UP * usual)
        warm = np.concatenate([rows.time[on], [self._off if math.isfinite(self._off) else -math.inf]])
        idle = ~on & (rows.time > float(np.max(warm)) + _SETTLED)
        # A line that leaps up without heat gets water from the supply: it is not shut off.
        fed = np.diff(p[idle]) > max(3.0 * scene.line.noise.step, 0.1 * usual)
        return self._over(usual) if fed.any() else None

    def _watch_fall(self, time: FloatArray, down: NDArray[np.bool_]) -> None:
        """Note when the line was down after the last burn."""
        later = np.flatnonzero(down & (time > self._off))
        if math.isfinite(self._off) and not math.isfinite(self._fell) and len(later):
            self._fell = float(time[later[0]])

    def _burn(self, burn: Burn, off: float) -> Sunk | None:
        usual, p, time = min(self._lows), burn.rows.pressure * _KPA, burn.rows.time
        last = len(p) - burn.tail
        before = float(np.median(p[:3]))
        rest = float(time[0]) - self._off
        # Soon after a burn a line that is shut off stands high as well.
        if before > usual - 0.5 * self._margin(usual) and not rest < _LONG:
            return self._over(usual)
        if before < _UP * usual and rest > 0.0 and self._up > 0.0:
            stayed = (
                (min(self._fell, float(time[0])) - self._off) / rest if math.isfinite(self._fell) else 1.0
            )
            self._sooner = [*self._sooner[-20:], stayed / self._up]
        self._up = float(np.count_nonzero(p[:last] > _UP * usual)) / max(last, 1)
        self._off, self._fell = off, math.nan
        self._watch_fall(time, p < _UP * usual)
        # The highest row flatters a sound line, as it should.
        self._tops = [*self._tops[-20:], float(np.max(p[max(last - 3, 0) :]))]
        return self._judged(usual)

    def _judged(self, usual: float) -> Sunk | None:
        tops, sooner = self._tops, self._sooner
        low = max(tops[-_BURNS:]) < usual - max(_FALLING, _BELOW * usual)
        sinks = len(tops) >= _BURNS and low and tops[-1] < max(tops) - _FALLING
        runs = len(sooner) >= _BURNS and max(sooner[-_BURNS:]) < _SOONER
        if self._told or self._since is None or not (sinks or runs):
            return None
        self._told = True
        return _CERTAIN, self._since, self._numbers(usual)

    def _over(self, usual: float) -> Sunk | None:
        """Water comes in again: what was told has ended."""
        answer = (0.1, self._since, self._numbers(usual)) if self._told and self._since is not None else None
        self.clear()
        return answer

    def _margin(self, usual: float) -> float:
        return max(_LEAST, _SHARE * usual)

    def _learn(self, at: float, level: float) -> None:
        day = math.floor(at / 86400.0)
        if day != self._day and math.isfinite(self._low):
            self._lows = [*self._lows[1 - _DAYS :], self._low]
            self._low = math.inf
        self._day, self._low = day, min(self._low, level)

    def _numbers(self, usual: float) -> dict[str, float | str | None]:
        return {
            "usual_kpa": round(usual / _KPA, 2),
            "hot_kpa": round(self._tops[-1] / _KPA, 2) if self._tops else None,
            "burns": len(self._tops),
            "time_up_in_rest_over_in_burn": round(max(self._sooner[-_BURNS:]), 3) if self._sooner else None,
        }
