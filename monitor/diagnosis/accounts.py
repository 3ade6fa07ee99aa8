"""Builds the findings: one function a fault, with its words and its evidence."""

from __future__ import annotations

import math

from monitor.diagnosis.facts import Facts
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.limits import NEAR_RELIEF
from monitor.diagnosis.relief import Discharge
from monitor.diagnosis.rules import CERTAIN
from monitor.diagnosis.signs.sign import Opinion
from monitor.diagnosis.words import CAUTION, Speaker, action, sureness

_KPA = 1000.0


def near_relief(facts: Facts) -> bool:
    """Whether a full recovery would come near the relief setting today."""
    return facts.relief_setting is not None and facts.peak >= NEAR_RELIEF * facts.relief_setting


def low_charge(facts: Facts, speaker: Speaker, began: float, at: float) -> Finding:
    """Return the finding of a low or steadily falling air charge."""
    confidence = max(facts.suspicion.low, facts.suspicion.leaking)
    estimate = speaker.interval(facts.charge_low, facts.charge, facts.charge_high)
    if facts.suspicion.low >= CERTAIN:
        seen = (
            f"Pressure rises more for each burn than the tank should allow: the air charge is about {estimate}, "
            f"below its limit of {speaker.pressure(facts.limit)}, since about {speaker.date(began)}."
        )
    else:
        seen = (
            f"The tank is losing air since about {speaker.date(began)}: {-100.0 * math.expm1(facts.change):.0f} % "
            f"is gone. The air charge is about {estimate}; the limit is {speaker.pressure(facts.limit)}."
        )
    near = near_relief(facts)
    odd = f" {supply_differs(facts, speaker)}" if facts.supply_differs else ""
    why = f"{seen} {_peak(facts, speaker)}{_date(facts, speaker)} This is {sureness(confidence)}.{odd}"
    return Finding(
        Fault.AIR_CHARGE_LOW,
        began,
        at,
        Severity.HIGH if near else Severity.MEDIUM,
        confidence,
        why,
        action(Fault.AIR_CHARGE_LOW, speaker, facts.target),
        CAUTION,
        facts.evidence(),
    )


def cushion_lost(
    facts: Facts, speaker: Speaker, began: float, at: float, relief: Discharge | None, confidence: float
) -> Finding:
    """Return the finding of a lost cushion; a discharging relief valve is part of it, not a second one."""
    pace = "suddenly " if facts.suspicion.jumped else ""
    seen = (
        f"The line has {pace}become almost as stiff as pipe alone: there is hardly any air cushion left, since "
        f"about {speaker.moment(began)}."
    )
    consequence = _peak(facts, speaker)
    evidence = facts.evidence()
    if relief is not None:
        consequence = (
            f"The relief valve has been letting water out near {speaker.pressure(relief.pressure)} during heating "
            f"since {speaker.moment(relief.since)}: never plug or cap it."
        )
        evidence |= {
            "relief_discharging_since": round(relief.since),
            "relief_discharging_kpa": round(relief.pressure / _KPA, 2),
        }
    unknown = (
        "From the pipe a waterlogged tank, a torn diaphragm and a tank pumped far above the supply pressure look "
        "alike; gauge and pin of the air valve tell them apart."
    )
    return Finding(
        Fault.AIR_CUSHION_LOST,
        began,
        at,
        Severity.HIGH,
        confidence,
        f"{seen} {consequence} This is {sureness(confidence)}. {unknown}",
        action(Fault.AIR_CUSHION_LOST, speaker, facts.target),
        CAUTION,
        evidence,
    )


def relief_open(
    seen: Discharge, facts: Facts, speaker: Speaker, at: float, explained_by: Fault | None
) -> Finding:
    """Return the finding of a relief valve that discharges while the cushion is not known to be lost."""
    litres = seen.volume * 1000.0
    setting = facts.relief_setting or seen.pressure
    because = (
        " The low air charge that stands already explains it." if explained_by is Fault.AIR_CHARGE_LOW else ""
    )
    why = (
        f"While the heater burned, pressure stayed near {speaker.pressure(seen.pressure)} (relief setting "
        f"{speaker.pressure(setting)}) since {speaker.moment(seen.since)}, though the heat of that time would have "
        f"raised a closed line well above it: about {litres:.1f} L or less has gone out of the relief valve."
        f"{because} This is {sureness(0.97)}."
    )
    evidence = facts.evidence() | {
        "relief_discharging_since": round(seen.since),
        "relief_discharging_kpa": round(seen.pressure / _KPA, 2),
        "growth_litres": round(litres, 3),
        "explained_by": None if explained_by is None else str(explained_by),
    }
    return Finding(
        Fault.RELIEF_DISCHARGING,
        seen.since,
        at,
        Severity.HIGH,
        0.97,
        why,
        action(Fault.RELIEF_DISCHARGING, speaker, facts.target),
        CAUTION,
        evidence,
    )


def blind(since: float, at: float, why: str, remedy: str, speaker: Speaker) -> Finding:
    """Return the finding that a site cannot be watched."""
    text = (
        f"This site is blind since {speaker.moment(since)}: {why}. A lost air cushion would not be noticed now; "
        "this is not a sign that all is well."
    )
    return Finding(Fault.BLIND, since, at, Severity.MEDIUM, 1.0, text, remedy, CAUTION, {"reason": why})


def from_opinion(opinion: Opinion, speaker: Speaker, target: float, at: float) -> Finding:
    """Return the finding that a sign's opinion becomes at ``at``."""
    return Finding(
        opinion.fault,
        min(opinion.began, at),
        at,
        opinion.severity,
        opinion.probability,
        f"{opinion.seen} This is {sureness(opinion.probability)}.",
        action(opinion.fault, speaker, target),
        CAUTION,
        opinion.evidence,
    )


def supply_differs(facts: Facts, speaker: Speaker) -> str:
    """Return the sentence about a line that rests far from the supply pressure of the site file."""
    stated = facts.supply_stated if facts.supply_stated is not None else facts.supply
    return (
        f"The line rests at {speaker.pressure(facts.supply)}, but the site file says {speaker.pressure(stated)}: "
        "check the sensor's unit, gauge against absolute pressure, and the figure itself, before anything else."
    )


def _peak(facts: Facts, speaker: Speaker) -> str:
    relief = facts.relief_setting
    if relief is not None and facts.peak >= relief:
        return f"A full recovery from cold would open the relief valve ({speaker.pressure(relief)})."
    if not math.isfinite(facts.peak):
        return "A full recovery from cold would have nothing to give way to."
    against = "" if relief is None else f"; the relief valve is set to {speaker.pressure(relief)}"
    return f"A full recovery from cold would reach {speaker.pressure(facts.peak)} today{against}."


def _date(facts: Facts, speaker: Speaker) -> str:
    if facts.relief_date is None:
        return ""
    middle, low, _ = facts.relief_date
    return (
        f" If nothing is done, that would open the relief valve from about {speaker.date(middle)} "
        f"(not before {speaker.date(low)}, 95 %)."
    )
