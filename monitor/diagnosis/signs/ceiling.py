"""A relief valve that opens below its setting: a height that heat does not bring the line past.

Told from draws by how tops pile up at the greatest height: draws stop a line anywhere, so that the highest
strip of all tops holds fewer of them than the strips below it. Told from a valve that lets growth back to the
street by what comes after the burn: a relief valve shuts, and the line stays up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.capped import Climb, Top, climb
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.burns import Burn, Mark
from monitor.estimation.heat import growth
from monitor.estimation.plant import Plant
from monitor.site import HeaterKind, Site, Visit

_DAYS: Final = 14 * 86400.0
_TOPS: Final = 120
_BURNS: Final = 200
_CHANCE: Final = 1.0 / 3.0
"""Highest probability that a draw stops the line in the highest of three strips: tops get rarer upwards."""

_ALIKE: Final = 0.6  # the same for draws that let the line down to one level: the supply's
_WIDTHS: Final = (0.5, 1.0)  # of what noise, sampling and the valve make alike
_RARE: Final = math.log(1e-4)
_LEAST: Final = 4  # burns stopped at the ceiling
_SPAN: Final = 1.5 * 86400.0
_STRIPS: Final = 3.0  # of two widths each
_SAG: Final = 0.15  # of the rise: what a line behind a shut valve gives back at most, in the middle of burns
_PAST: Final = 2  # burns well past the ceiling, of the last ones: it is not there any more
_LAST: Final = 6
_KPA: Final = 1000.0
_MOST: Final = 0.95


@dataclass(frozen=True, slots=True)
class Ceiling:
    """What the tops say: ``height`` [Pa] of the ceiling, tops and burns at it, tops in the strips below it."""

    height: float
    low: float
    at: int
    below: int
    burns: int
    since: float
    odds: float
    sagged: float


class LowRelief:
    """Looks for a relief valve that opens at a pressure of its own."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._speaker, self._plant = Speaker(site), plant
        self._loop = site.heater.kind is HeaterKind.LOOP
        self._climbs: list[Climb] = []
        self._told: Ceiling | None = None

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; only burns matter, and no loop's: its thermostat ends them all alike."""
        if self._loop or not isinstance(mark, Burn) or scene.line is None or len(mark.rows) - mark.tail < 4:
            return []
        rows, lag = mark.rows, scene.lag
        grown = growth(
            rows.time, rows.heater, rows.temperature, self._plant, lag=lag.seconds, late=lag.late, ended=False
        )
        heated = len(rows)
        if mark.off is not None:
            heated = int(np.searchsorted(rows.time, mark.off - lag.late + lag.seconds))
        seen = climb(rows.time, rows.pressure * _KPA, grown.volume, min(heated, len(rows)), scene.line.noise)
        if seen is None:
            return []
        old = seen.at - _DAYS
        self._climbs = [c for c in self._climbs[1 - _BURNS :] if c.at > old] + [seen]
        return self._opinions(seen)

    def visit(self, visit: Visit) -> None:
        """Forget what was counted: somebody had the line open."""
        del visit
        self._climbs = []

    def _opinions(self, last: Climb) -> list[Opinion]:
        if self._told is not None and self._gone(self._told):
            told, self._told = self._told, None
            self._climbs = self._climbs[-_LAST:]
            return [self._opinion(told, 0.05)]
        if self._told is not None or not last.tops:
            return []
        found = ceiling(self._climbs)
        if found is None or found.odds > _RARE:
            return []
        self._told = found
        return [self._opinion(found, _MOST)]

    def _gone(self, told: Ceiling) -> bool:
        """Whether the line has gone well past the ceiling lately, or has not been stopped there for long."""
        recent = self._climbs[-_LAST:]
        past = sum(c.peak > told.height + 2.0 * _STRIPS * c.width for c in recent)
        at = [t for c in self._climbs for t in c.tops if abs(t.height - told.height) <= 2.0 * c.width]
        return past >= _PAST or not at

    def _opinion(self, seen: Ceiling, probability: float) -> Opinion:
        say, setting = self._speaker, self._plant.relief
        known = f", far below the setting of {say.pressure(setting)}" if setting is not None else ""
        if setting is not None and seen.height > 0.9 * setting:
            known = f" (setting {say.pressure(setting)})"
        text = (
            f"Since {say.moment(seen.since)} no burn brings the line past {say.pressure(seen.height)}{known}: "
            f"{seen.at} times in {seen.burns} burns heat brought it there, and it dropped at once or stayed there "
            "though heat went on, whatever the supply was. Draws stop a line at any height, so that this is no "
            f"draw; {seen.below} tops lay just below. After the burns the line stays up, which speaks against a "
            "check valve that passes. Readings cannot tell a relief valve that opens too early from another "
            "valve that lets water out at a set pressure. Test: look at the outlet of the relief valve during a "
            "long burn without draws, with care: the water is hot."
        )
        return Opinion(
            Fault.RELIEF_DISCHARGING, probability, seen.since, Severity.HIGH, text, _numbers(seen, setting)
        )


def ceiling(climbs: list[Climb]) -> Ceiling | None:
    """Return the ceiling that the tops of burns make most of, None where there is none."""
    tops = [(top, c) for c in climbs for top in c.tops][-_TOPS:]
    if len(tops) < _LEAST:
        return None
    width = float(np.median([c.width for _, c in tops]))
    highest = max(c.peak for c in climbs)
    # Below the line's usual level there are no tops to compare with.
    room = (highest - float(np.median([c.base for c in climbs]))) / (2.0 * _STRIPS)
    found = [_strips(tops, highest, share * width) for share in _WIDTHS if share * width < room]
    return min((one for one in found if one is not None), key=lambda one: one.odds, default=None)


def _strips(tops: list[tuple[Top, Climb]], highest: float, width: float) -> Ceiling | None:
    """Return what the highest strip of tops says, None where they are few or the line does not stay up."""
    at = [(t, c) for t, c in tops if t.height > highest - 2.0 * width]
    below = [t for t, _ in tops if highest - 2.0 * _STRIPS * width < t.height <= highest - 2.0 * width]
    burns = len({c.at for _, c in at})
    if burns < _LEAST or at[-1][0].at - at[0][0].at < _SPAN:
        return None
    sags = [c.sagged for _, c in at if math.isfinite(c.sagged)]
    sagged = float(np.median(sags)) if sags else math.nan
    stays = sum(t.stayed for t, _ in at)
    if sagged > _SAG or (2 * stays > len(at) and not sags):
        return None
    lows = np.array([t.low for t, _ in at if not t.stayed])
    low = float(np.median(lows)) if len(lows) else at[-1][0].low
    alike = int(np.count_nonzero(np.abs(lows - low) <= 2.0 * width))
    return Ceiling(
        height=float(np.median([t.height for t, _ in at])),
        low=low,
        at=len(at),
        below=len(below),
        burns=burns,
        since=at[0][0].at,
        odds=_tail(len(at), len(at) + len(below), _CHANCE)
        + (_tail(max(alike - 1, 0), len(lows) - 1, _ALIKE) if len(lows) > 1 else 0.0),
        sagged=sagged,
    )


def _tail(hits: int, of: int, chance: float) -> float:
    """Return the log probability of at least ``hits`` in ``of`` where each has a ``chance``."""
    log = math.lgamma
    terms = [
        log(of + 1) - log(k + 1) - log(of - k + 1) + k * math.log(chance) + (of - k) * math.log(1 - chance)
        for k in range(hits, of + 1)
    ]
    return float(np.logaddexp.reduce(terms))


def _numbers(seen: Ceiling, setting: float | None) -> dict[str, float | str | None]:
    return {
        "ceiling_kpa": round(seen.height / _KPA, 2),
        "drops_to_kpa": round(seen.low / _KPA, 2),
        "tops_at_ceiling": seen.at,
        "tops_just_below": seen.below,
        "burns_stopped": seen.burns,
        "relief_setting_kpa": None if setting is None else round(setting / _KPA, 2),
        "log_chance_by_draws": round(seen.odds, 1),
        "share_of_rise_lost_after": None if math.isnan(seen.sagged) else round(seen.sagged, 3),
    }
