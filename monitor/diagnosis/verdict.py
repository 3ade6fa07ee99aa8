"""The one word for a site, and the sentence under it."""

from __future__ import annotations

from typing import Final

from monitor.diagnosis.accounts import supply_differs
from monitor.diagnosis.facts import Facts
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.limits import NEAR_RELIEF
from monitor.diagnosis.report import Verdict
from monitor.diagnosis.sight import GAP, WINDOWS_NEEDED, Sight
from monitor.diagnosis.static import static_limit
from monitor.diagnosis.words import Speaker

_SURE_ENOUGH: Final = (
    0.1  # probability of a low or falling charge with which a site may still be called holding
)
_UNPROVEN: Final = (
    "Pressure has not been seen to rise with heat clearly more than it does without; more burns, and pauses "
    "between them, are needed to judge."
)
_ABOVE: Final = 1.05  # times the supply: a charge that is surely higher is no good charge
_ORDER = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}


def verdict_of(  # noqa: PLR0911 - one return a verdict, the most urgent first
    findings: list[Finding],
    facts: Facts | None,
    sight: Sight,
    last: float | None,
    now: float,
    speaker: Speaker,
) -> tuple[Verdict, str]:
    """Return verdict and reason at ``now``; ``last`` is the time of the newest reading.

    A fault stands until it is cleared, even while blind; "holding" needs fresh evidence and an estimate
    that leaves little doubt.
    """
    standing = sorted((f for f in findings if f.ended is None and f.fault is not Fault.BLIND), key=_urgency)
    if standing:
        return Verdict.FAULT, f"{_today(standing[0], facts, speaker)}{standing[0].why}"
    if last is None or facts is None:
        return Verdict.LEARNING, "No readings so far."
    if now - last >= GAP:
        return Verdict.BLIND, f"No readings since {speaker.moment(last)}."
    if sight.since is not None:
        return Verdict.BLIND, f"Since {speaker.moment(sight.since)}: {sight.why}."
    if not sight.sees(now):
        count = len(sight.rises)
        if count >= WINDOWS_NEEDED and not sight.response.proven:
            return Verdict.LEARNING, _UNPROVEN
        return Verdict.LEARNING, f"{count} clean heating windows so far; three in a week are needed to judge."
    doubt = _doubt(facts, speaker)
    if doubt:
        return Verdict.DOUBTFUL, doubt
    estimate = speaker.interval(facts.charge_low, facts.charge, facts.charge_high)
    rise = speaker.moment(sight.last_rise) if sight.last_rise is not None else ""
    return Verdict.HOLDING, f"Air charge about {estimate}; last weighed {rise}."


def _doubt(facts: Facts, speaker: Speaker) -> str:
    """Return why a site that is seen cannot be said to hold, empty if nothing speaks against it."""
    if facts.contradicted:
        return "The last burn rose more steeply than it should; the next ones will tell."
    if facts.erratic:
        return "Heating windows contradict each other: something besides heat and draws moves the pressure."
    return supply_differs(facts, speaker) if facts.supply_differs else _doubtful_charge(facts, speaker)


def _doubtful_charge(facts: Facts, speaker: Speaker) -> str:
    """Return what is doubtful about an estimate that the windows agree on."""
    estimate = speaker.interval(facts.charge_low, facts.charge, facts.charge_high)
    if facts.sunk:
        return (
            f"The loop rests at {speaker.pressure(facts.supply)} and did at {speaker.pressure(facts.filled)}: it loses "
            "water or air, or is colder than it was. Look for a leak, and fill it only as its maker and your code "
            "allow."
        )
    if max(facts.suspicion.low, facts.suspicion.leaking) > _SURE_ENOUGH:
        return (
            f"The air charge, about {estimate}, cannot be said to be above its limit of "
            f"{speaker.pressure(facts.limit)}. A gauge reading entered as a visit, or a fuller site file, narrows it."
        )
    if facts.relief_setting is not None and facts.peak >= NEAR_RELIEF * facts.relief_setting:
        return (
            f"The air charge is about {estimate}, but a full recovery from cold would still reach "
            f"{speaker.pressure(facts.peak)} where the relief valve opens "
            f"({speaker.pressure(facts.relief_setting)}): the tank may be too small, or the site file wrong about it."
        )
    limit = static_limit(speaker.site)
    if facts.supply > limit:
        return (
            f"The line rests at {speaker.pressure(facts.supply)}, above the {speaker.pressure(limit)} that "
            "plumbing codes commonly allow: ask for a pressure reducing valve."
        )
    if facts.charge_low > _ABOVE * facts.supply:
        return (
            f"The air charge, about {estimate}, is above the {speaker.pressure(facts.supply)} at which the line rests: "
            "the tank takes nothing until the line has risen to it."
        )
    return ""


def _today(finding: Finding, facts: Facts | None, speaker: Speaker) -> str:
    """Return how the charge stands now: the sentence of a finding keeps the figures of its day."""
    if facts is None or finding.fault is not Fault.AIR_CHARGE_LOW:
        return ""
    return f"Air charge now about {speaker.interval(facts.charge_low, facts.charge, facts.charge_high)}. "


def _urgency(finding: Finding) -> tuple[int, float]:
    return _ORDER[finding.severity], finding.raised
