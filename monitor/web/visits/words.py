"""A visit in words: what was told, and what follows from it at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor import units
from monitor.diagnosis.advice import Advice, Charge
from monitor.diagnosis.advice_table import TABLE
from monitor.diagnosis.limits import target_of
from monitor.diagnosis.situation import charge_beside
from monitor.estimation.plant import plant_of
from monitor.site import HeaterKind, Site, Visit, VisitAction
from monitor.web import words

DONE: Final = {
    VisitAction.GAUGED: "Gauged, left as found",
    VisitAction.REFILLED: "Air pumped in or let out",
    VisitAction.REPLACED: "Tank replaced",
    VisitAction.LOOKED: "Looked, nothing gauged",
}
"""What was done, in words."""

ADVICE: Final = {
    Advice.CALL: "Call licensed help now",
    Advice.REPLACE: "Replace the tank",
    Advice.LARGER: "Fit a larger tank",
    Advice.REFILL: "Refill the tank with air",
    Advice.RELEASE: "Let air out of the tank",
    Advice.GAUGE: "Gauge the tank",
    Advice.LEAK: "Find the leak",
    Advice.REGULATOR: "See to the pressure reducing valve",
    Advice.CHECK_VALVE: "See to the check valve",
    Advice.SENSOR: "See to the sensors",
    Advice.WAIT: "Wait, it is being watched",
    Advice.NOTHING: "Nothing to do",
}
"""Each advice in a few words."""

_VOLUMES_AGREE: Final = 0.02
_BESIDE: Final = {Charge.BELOW: "below", Charge.ABOVE: "above"}


def facts(site: Site, visit: Visit, photos: int = 0) -> Iterator[tuple[str, str]]:
    """Yield what was told of a visit, by name, in the unit and zone of its site."""
    yield "Action", visit.action.value
    if visit.found is not None:
        yield "Found", gauge(site, visit.found)
    if visit.precharge is not None:
        yield "Air charge", gauge(site, visit.precharge)
    if visit.supply is not None:
        yield "Supply", gauge(site, visit.supply)
    if visit.water_at_valve is not None:
        yield "Air valve", f"{'water' if visit.water_at_valve else 'no water'} came from it"
    if visit.leak is not None:
        yield "Leak", visit.leak or "none seen"
    if visit.tank_volume is not None:
        yield "New tank", litres(site, visit.tank_volume)
    if visit.who:
        yield "By", visit.who
    if visit.note:
        yield "Note", visit.note
    if photos:
        yield "Photos", str(photos)
    yield "Time", words.moment(visit.time, site.timezone)


def follows(site: Site, visit: Visit) -> Iterator[str]:
    """Yield what follows from a visit before any reading has come."""
    if visit.torn:
        yield f"Water at the air valve means a torn diaphragm. {replace_tank()}"
    target = target_of_visit(site, visit)
    if visit.precharge is not None and target is not None and not visit.torn:
        beside = charge_beside(visit.precharge, target)
        if beside in _BESIDE:
            yield (
                f"The tank was left {_BESIDE[beside]} what it needs, {gauge(site, target)}: bring it there, or correct "
                "what was told."
            )
    if visit.action in {VisitAction.REFILLED, VisitAction.REPLACED} and visit.precharge is None:
        yield "Without the charge that it left, nobody can prove later that it held."
    if visit.tank_volume is not None and not _agrees(visit.tank_volume, site.tank_volume):
        noted = "no volume" if site.tank_volume is None else litres(site, site.tank_volume)
        yield (
            f"The site file has {noted} for the tank: write {visit.tank_volume * 1000:.4g} L there (tank.volume), or "
            "the estimate goes on with the old one."
        )


def replace_tank() -> str:
    """Return what to do about a tank that lets water through."""
    return next(row.do for row in TABLE if row.advice is Advice.REPLACE)


def target_of_visit(site: Site, visit: Visit | None = None) -> float | None:
    """Return the charge that the tank needs by the visit's gauge or the site file, None where neither tells. [Pa]."""
    loop = site.heater.kind is HeaterKind.LOOP
    if visit is not None and visit.supply is not None and not loop:
        return visit.supply
    if site.supply is None and not (loop and site.precharge is not None):
        return None
    return target_of(plant_of(site), site.supply or 0.0)


def aim(site: Site) -> str:
    """Return the charge that the tank needs, in words, empty where it is not known."""
    target = target_of_visit(site)
    if target is None:
        return ""
    if site.heater.kind is HeaterKind.LOOP:
        return f"the charge that the loop needs, {gauge(site, target)} by the site file"
    return f"the supply pressure that you gauged ({gauge(site, target)} by the site file)"


def gauge(site: Site, pascal: float) -> str:
    """Return a gauge pressure [Pa] in the site's unit."""
    return words.pressure(pascal / units.KPA, site.unit)


def litres(site: Site, volume: float) -> str:
    """Return a volume [m³]; where pressures are in psi in gallons too."""
    text = f"{volume * 1000:.4g} L"
    return f"{text} ({units.from_si(volume, 'gal', 'volume'):.3g} gal)" if site.unit == "psi" else text


def _agrees(one: float, other: float | None) -> bool:
    return other is not None and abs(one - other) <= _VOLUMES_AGREE * other
