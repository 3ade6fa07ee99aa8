"""Which tank to bring where the one that is there has to be replaced. Pure."""

from __future__ import annotations

from monitor.errors import CushionwatchError
from monitor.physics.fluids import Glycol, glycol
from monitor.site import HeaterKind, Site
from monitor.sizing.case import Case, Code, Part, PresentTank, Use
from monitor.sizing.result import Tank
from monitor.sizing.size import size


def replacement(site: Site) -> Tank | None:
    """Return the tank that the sizing advises for a site; None where its facts do not suffice."""
    heater = site.heater
    loop = heater.kind is HeaterKind.LOOP
    pressed = site.supply is not None or (loop and heater.height is not None)
    if heater.volume is None or heater.setpoint is None or not pressed:
        return None
    mixed = heater.antifreeze
    try:
        case = Case(
            use=Use.HEATING if loop else Use.DOMESTIC,
            parts=(Part(heater.volume),),
            hot=heater.setpoint,
            code=Code.US if site.unit == "psi" else Code.EUROPE,
            fluid=None if mixed is None else glycol(Glycol(mixed.kind), mixed.mass_share),
            supply=site.supply,
            height=heater.height if loop else None,
            relief=site.relief,
            supply_limit=None if loop else site.supply_limit,
            altitude=site.altitude,
            present=None if site.tank_volume is None else PresentTank(site.tank_volume, site.precharge),
        )
        return size(case).advised
    except CushionwatchError:
        return None  # facts that contradict each other; an alert goes out all the same
