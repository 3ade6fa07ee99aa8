"""Traces of a heater on a closed line: draws, burner, growth of the water. No pressure in them.

``tests/reference/README.md`` says where each comes from.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]

REFERENCE: Final = Path(__file__).parents[1] / "reference"
DAY: Final = 86400.0


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Equal steps of ``step`` seconds; all arrays of shape (n,).

    ``growth`` [mL] is the cold water that warming pushes into the cold line during the step, negative while
    the heater cools or takes cold water in; ``draw`` [mL] is what leaves the line during the step through hot
    and cold taps. Only the difference of the two matters.
    ``burner`` 0/1, ``top`` [°C] the temperature at the top of the heater.
    """

    step: float
    growth: FloatArray
    draw: FloatArray
    burner: FloatArray
    top: FloatArray

    def __len__(self) -> int:
        return len(self.growth)

    @property
    def days(self) -> float:
        """Return the length of the trace in days."""
        return len(self) * self.step / DAY


def household() -> Trace:
    """Return the 14 days at 10 s of ``household_14d.csv.gz``.

    The file floors the expansion at 0, so the growth during a draw that empties it is not in the file (the
    draw is, and outweighs it), nor is the cooling of an idle heater below the floor: for that the mean of
    the idle steps above the floor is taken.
    """
    rows = np.genfromtxt(REFERENCE / "household_14d.csv.gz", delimiter=",", names=True)
    step = float(rows["time_s"][1] - rows["time_s"][0])
    level = rows["closed_expansion_mL"]
    change = np.diff(level, prepend=level[0])
    draw = rows["draw_L_min"] * 1000.0 * step / 60.0
    above = level > 0.0
    before = np.concatenate([[False], above[:-1]])
    quiet = (draw == 0.0) & (rows["burner"] == 0.0)
    idle = float(np.mean(change[quiet & above & before]))
    growth = np.where(above | before, change + draw, 0.0)
    growth = np.where(quiet & ~above, idle, growth)
    # A draw that took the expansion to its floor says nothing of the growth meanwhile.
    growth = np.where((draw > 0.0) & ~above, 0.0, growth)
    return Trace(step, growth, draw, rows["burner"].astype(float), rows["T_top_C"].astype(float))


def days(trace: Trace, first: float, last: float) -> Trace:
    """Return day ``first`` to day ``last``; beyond its end the trace is repeated from its beginning."""
    index = np.arange(round(first * DAY / trace.step), round(last * DAY / trace.step)) % len(trace)
    return Trace(trace.step, trace.growth[index], trace.draw[index], trace.burner[index], trace.top[index])


def finer(trace: Trace, step: float) -> Trace:
    """Return the trace at a step that is a whole fraction of its own: flows spread evenly, states held."""
    parts = round(trace.step / step)
    if parts < 1 or abs(parts * step - trace.step) > 1e-9:
        raise ValueError(f"step {step:g} s does not divide the trace's {trace.step:g} s")
    count = len(trace)
    ends = np.arange(1, count + 1) * trace.step
    inner = np.arange(1, count * parts + 1) * step
    return replace(
        trace,
        step=step,
        growth=np.repeat(trace.growth / parts, parts),
        draw=np.repeat(trace.draw / parts, parts),
        burner=np.repeat(trace.burner, parts),
        top=np.interp(inner, ends, trace.top),
    )


def with_cold_draws(trace: Trace, rng: np.random.Generator, per_day: float = 25.0) -> Trace:
    """Return the trace with cold taps and cisterns added: they open the line unseen by the heater.

    Waking hours are five times as busy as the night; 0.5 to 9 L each at 4 to 12 L/min.
    """
    draw = trace.draw.copy()
    busy = np.where((np.arange(len(trace)) * trace.step % DAY) // 3600 < 6, 0.2, 1.0)
    chance = busy / busy.mean() * per_day * trace.step / DAY
    for start in np.flatnonzero(rng.random(len(trace)) < chance):
        litres = rng.uniform(0.5, 9.0)
        steps = max(1, round(litres / rng.uniform(4.0, 12.0) * 60.0 / trace.step))
        draw[start : start + steps] += litres * 1000.0 / steps
    return replace(trace, draw=draw)
