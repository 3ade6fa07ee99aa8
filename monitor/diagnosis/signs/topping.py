"""Top-ups of a heating loop: water let in by hand, a step up that no heat and no pump explains."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.estimation.noise import Noise
from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples

_LONGEST: Final = 900.0  # s that filling takes
_LEAST: Final = 8e3  # Pa
_SHARE: Final = 0.04  # of the absolute pressure
_REST: Final = 600.0  # s on either side without heat
_KPA: Final = 1000.0


def added(rows: Samples, noise: Noise, plant: Plant) -> float:
    """Return the volume [m³] that was let in during the rows of an hour, 0 where nobody did.

    A step that is still there ten minutes later, with the heater off since ten minutes before. What falls
    back is a pump; a pump that stays on for the day comes back as a step down, and is told from it there: a
    step down is volume taken out.
    """
    if len(rows) < 10 or (rows.heater > 0.5).any() or not np.isfinite(rows.heater).all():
        return 0.0
    p = rows.pressure * _KPA + plant.atmosphere
    steps = np.diff(p)
    where = int(np.argmax(np.abs(steps)))
    if abs(steps[where]) <= noise.step:
        return 0.0
    at = rows.time[where]
    before = p[(rows.time <= at) & (rows.time > at - _REST)]
    after = p[(rows.time > at + _LONGEST) & (rows.time <= at + _LONGEST + _REST)]
    if len(before) < 3 or len(after) < 3:
        return 0.0
    p1, p2 = float(np.median(before)), float(np.median(after))
    if abs(p2 - p1) < max(_LEAST, _SHARE * p1, 2.0 * noise.step):
        return 0.0
    return plant.air_nominal * (1.0 / p1 - 1.0 / p2)
