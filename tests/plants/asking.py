"""Ask one sign what it makes of rows, with the marks and the line at rest as the analyser would give them."""

from __future__ import annotations

import math
from typing import Final

from monitor.diagnosis.facts import facts_of
from monitor.diagnosis.limits import limits_of
from monitor.diagnosis.sight import Sight
from monitor.diagnosis.signs.sign import Opinion, Scene, Sign
from monitor.estimation.belief import first_belief
from monitor.estimation.burns import BurnTracker, Hour
from monitor.estimation.lag import Lag
from monitor.estimation.plant import plant_of
from monitor.estimation.rest import RestLine
from monitor.estimation.samples import Samples
from monitor.site import Heater, HeaterKind, Site
from monitor.units import PSI

DAY: Final = 86400.0
START: Final = 1.7e9 - 1.7e9 % DAY
SITE: Final = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
                   tank_volume=8e-3, precharge=60.0 * PSI, supply=60.0 * PSI, relief=150.0 * PSI)  # fmt: skip


def asked(sign: Sign, rows: Samples, site: Site = SITE) -> list[tuple[float, Opinion]]:
    """Return what a sign thinks of rows, with the time of each opinion."""
    plant = plant_of(site)
    belief = first_belief(plant, START)
    tracker, rest, lag, said = BurnTracker(math.inf), RestLine(plant.charge_target), Lag(site.heater.kind), []
    for mark in tracker.feed(rows):
        if isinstance(mark, Hour):
            rest.hour(mark.rows)
        limits = limits_of(plant, rest.level, plant.elastic)
        scene = Scene(facts_of(belief, limits, plant, rest.level), rest.line, lag, Sight())
        said += [(mark.at, one) for one in sign.take(mark, scene)]
    return said
