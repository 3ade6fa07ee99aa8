"""The one word for a site, and the sentence under it."""

from __future__ import annotations

from monitor.diagnosis.facts import Facts
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Verdict
from monitor.diagnosis.rules import CLEARED
from monitor.diagnosis.sight import GAP, Sight
from monitor.diagnosis.words import Speaker

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
        return Verdict.FAULT, f"{standing[0].why}{_today(standing[0], facts, speaker)}"
    if last is None or facts is None:
        return Verdict.LEARNING, "No readings so far."
    if now - last >= GAP:
        return Verdict.BLIND, f"No readings since {speaker.moment(last)}."
    if sight.since is not None:
        return Verdict.BLIND, f"Since {speaker.moment(sight.since)}: {sight.why}."
    estimate = speaker.interval(facts.charge_low, facts.charge, facts.charge_high)
    if not sight.sees(now):
        count = len(sight.rises)
        return Verdict.LEARNING, f"{count} clean heating windows so far; three in a week are needed to judge."
    if facts.contradicted:
        return Verdict.LEARNING, "The last burn rose more steeply than it should; the next ones will tell."
    if max(facts.suspicion.low, facts.suspicion.leaking) > CLEARED:
        return Verdict.LEARNING, f"The air charge of about {estimate} may be low; more windows will tell."
    rise = speaker.moment(sight.last_rise) if sight.last_rise is not None else ""
    return Verdict.HOLDING, f"Air charge about {estimate}; last weighed {rise}."


def _today(finding: Finding, facts: Facts | None, speaker: Speaker) -> str:
    """Return how the charge stands now: the sentence of a finding keeps the figures of its day."""
    if facts is None or finding.fault is not Fault.AIR_CHARGE_LOW:
        return ""
    return f" By now it is about {speaker.interval(facts.charge_low, facts.charge, facts.charge_high)}."


def _urgency(finding: Finding) -> tuple[int, float]:
    return _ORDER[finding.severity], finding.raised
