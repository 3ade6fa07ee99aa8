"""The estimator's own view of the rows: clean windows, the lag of the heat, the line at rest, what it could see."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.diagnosis.sight import Sight
from monitor.estimation.burns import Burn, BurnTracker, Hour
from monitor.estimation.heating import heating_of
from monitor.estimation.lag import Lag
from monitor.estimation.load import Load
from monitor.estimation.noise import Noise, noise_of
from monitor.estimation.plant import Plant
from monitor.estimation.rest import RestLine
from monitor.estimation.samples import FloatArray, Samples
from monitor.estimation.windows import Kind, Window, find_windows
from monitor.site import HeaterKind, Site

_KPA: Final = 1000.0
_WANDER: Final = 3e3  # Pa: least wander of a supply from hour to hour
_HOUR: Final = 3600.0
_ROWS: Final = 10


@dataclass(frozen=True, slots=True)
class Level:
    """The line at rest whatever the heater is said to do: level, spread between hours [gauge Pa], noise.

    ``low``: level of the lowest hours: growth that nobody draws off holds the line above the supply for hours.
    """

    level: float
    low: float
    spread: float
    noise: Noise


def level_of(rows: Samples) -> Level:
    """Return level, spread and noise of all rows: medians of what the hours show."""
    cuts = np.flatnonzero(np.diff(np.floor(rows.time / _HOUR))) + 1
    hours = [part for part in np.split(rows.pressure * _KPA, cuts) if len(part) >= _ROWS] or [
        rows.pressure * _KPA
    ]
    levels = np.array([np.quantile(part, 0.25) for part in hours])
    level = float(np.median(levels))
    spread = 1.4826 * float(np.median(np.abs(levels - level)))
    noises = sorted((noise_of(part) for part in hours), key=lambda n: n.sd)
    return Level(level, float(np.quantile(levels, 0.1)), max(spread, _WANDER), noises[len(noises) // 4])


@dataclass(frozen=True, slots=True, eq=False)
class Replay:
    """What the estimator finds: ``windows`` that weigh, ``flat``: undisturbed burns without a rise and with one.

    ``lag`` [s], None where burns have not taught it.
    """

    windows: tuple[Window, ...]
    flat: int
    rose: int
    answers: bool
    lag: float | None


def replay(site: Site, plant: Plant, rows: Samples) -> Replay:
    """Run the estimator's search for windows over rows, without believing anything yet."""
    rest = RestLine(plant.charge_target if site.supply is None else site.supply)
    lag, sight = Lag(site.heater.kind), Sight()
    load = Load(plant.atmosphere) if site.heater.kind is HeaterKind.LOOP else None
    found: list[Window] = []
    sight.rows(rows)
    for mark in BurnTracker(math.inf).feed(rows):
        if isinstance(mark, Hour):
            rest.hour(mark.rows)
            sight.response.hour(mark.rows)
            if load is not None:
                load.hour(mark.rows)
        if not isinstance(mark, Burn):
            continue
        if rest.line is not None:
            lag.burn(mark.rows, mark.tail, rest.line.noise)
        ended = mark.off is not None
        windows = find_windows(mark.rows, heating_of(lag, load, ended=ended), plant, rest.line)
        sight.response.burn(mark)
        sight.burn(windows, mark.at, ended=ended)
        found += windows
    whole = [w for w in found if w.undisturbed]
    return Replay(
        windows=tuple(w for w in found if w.kind is not Kind.FLAT),
        flat=sum(w.kind is Kind.FLAT for w in whole),
        rose=sum(w.kind is not Kind.FLAT for w in whole),
        answers=sight.answers,
        lag=lag.seconds if lag.learned else None,
    )


def time_to_notice(ends: FloatArray, start: float, end: float, needed: int = 2) -> tuple[float, float] | None:
    """Return after what time a loss would have shown in ``needed`` windows: median and 90th percentile [s].

    Over all instants of the span at which it could have happened; those too near its end are left out.
    None where there are too few windows.
    """
    if len(ends) < needed:
        return None
    times = np.sort(ends)
    at = np.linspace(start, end, 500)
    index = np.searchsorted(times, at) + needed - 1
    inside = index < len(times)
    if not inside.any():
        return None
    waits = times[index[inside]] - at[inside]
    return float(np.median(waits)), float(np.quantile(waits, 0.9))
