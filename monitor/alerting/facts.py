"""The facts of a site at the end of an alert, for whoever drives there. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite

from monitor.alerting.voice import Voice
from monitor.alerting.wording import clean
from monitor.diagnosis.report import Report
from monitor.site import Site
from monitor.units import KPA


def site_facts(site: Site, report: Report, voice: Voice) -> Iterable[str]:
    """Yield the lines that close an alert: where it is, what hangs there, what was measured."""
    say, zone = voice.say, voice.zone(site)
    yield say("Site: {name} ({id})", name=_name(site), id=site.id)
    if site.customer:
        yield say("Customer: {customer}", customer=clean(site.customer))
    if site.address:
        yield say("Address: {address}", address=clean(site.address))
    yield say("Heater: {facts}", facts=_listed(_heater(site, voice), voice))
    yield say("Tank: {facts}", facts=_listed(_tank(site, voice), voice))
    yield say("Line: {facts}", facts=_listed(_line(site, report, voice), voice))
    if report.air_charge:
        newest = report.air_charge[-1]
        # Less air than a tank open to the room holds cannot be told from none: no gauge shows less than zero.
        kpa, low, high = (max(value, 0.0) for value in (newest.kpa, newest.low_kpa, newest.high_kpa))
        yield say(
            "Air charge on {day}: {charge} (90 % sure: {span})",
            day=voice.day(newest.time, zone),
            charge=voice.pressure(kpa, site),
            span=voice.span(low, high, site),
        )
    yield from _peak(site, report, voice)


def _peak(site: Site, report: Report, voice: Voice) -> Iterable[str]:
    """Yield what a full heat-up would do; beyond the relief setting the line does not go."""
    peak, relief = report.worst_case_peak_kpa, site.relief
    if peak is None:
        return
    if relief is not None and peak >= relief / KPA:
        yield voice.say("A full heat-up without a draw would open the relief valve today")
    elif isfinite(peak):
        yield voice.say(
            "A full heat-up without a draw would reach {peak} today", peak=voice.pressure(peak, site)
        )


def _heater(site: Site, voice: Voice) -> Iterable[str]:
    heater = site.heater
    yield voice.text(heater.kind.value)
    if heater.volume is not None:
        yield voice.both(heater.volume, site, "volume", "L", "gal")
    if heater.input is not None:
        yield f"{heater.input / 1000:.3g} kW"
    if heater.setpoint is not None:
        setpoint = voice.both(heater.setpoint, site, "temperature", "degC", "degF")
        yield voice.say("setpoint {setpoint}", setpoint=setpoint)


def _tank(site: Site, voice: Voice) -> Iterable[str]:
    if site.tank_volume is not None:
        yield voice.both(site.tank_volume, site, "volume", "L", "gal")
    if site.precharge is not None:
        charge = voice.pressure(site.precharge / KPA, site)
        yield voice.say("precharge as last noted {charge}", charge=charge)


def _line(site: Site, report: Report, voice: Voice) -> Iterable[str]:
    if report.supply_kpa is not None:
        yield voice.say("supply measured {pressure}", pressure=voice.pressure(report.supply_kpa, site))
    if site.supply is not None:
        yield voice.say("supply noted {pressure}", pressure=voice.pressure(site.supply / KPA, site))
    if site.relief is not None:
        yield voice.say("relief setting {pressure}", pressure=voice.pressure(site.relief / KPA, site))


def _listed(parts: Iterable[str], voice: Voice) -> str:
    return ", ".join(parts) or voice.say("not known")


def _name(site: Site) -> str:
    return clean(site.name) or site.id
