"""From findings that changed to what is written down, and whether people are told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.service.ports import Event

DAY: Final = 86400.0


class Outcome(NamedTuple):
    """A finding to write down; ``loud``: people are told.

    ``replaces``: what stands in the store in its place, the same fault with another date, as ended now in case that
    it cannot be redated.
    """

    finding: Finding
    loud: bool
    replaces: Finding | None = None


def outcomes(changed: Sequence[Finding]) -> list[Outcome]:
    """Return what to write down of findings that changed, in order.

    One that ends with the reading that raises another has given way to it, as a low charge does to a lost
    cushion: it ends without a word, since "back to normal" would be false.
    """
    raised = {finding.raised for finding in changed if finding.ended is None}
    return [Outcome(finding, finding.ended not in raised) for finding in changed]


def reconcile(found: Sequence[Finding], known: Sequence[Event], reached: float) -> list[Outcome]:
    """Return what to write down so that the store agrees with a replay; the store ignores what it has.

    ``known`` are the standing events; ``reached`` is the time that the replay has come to: of an event that
    was raised later it knows nothing, and leaves it as it is. Replay and store differ after a crash between
    two writes, after late readings, and when the site file or this program changed. People are told of what
    stands and is new, and of what ended and stood; not of old history seen with new eyes, nor twice of a
    fault that merely got another date: its event stays the same, unless somebody must act today only now.
    """
    latest = {_key(finding): finding for finding in found}
    open_keys = {_key(event.finding) for event in known}
    unseen = [event.finding for event in known if _key(event.finding) not in latest]
    orphans = [finding for finding in unseen if finding.raised <= reached]
    standing = {finding.fault for finding in latest.values() if finding.ended is None}
    new = {finding.fault for key, finding in latest.items() if finding.ended is None and key not in open_keys}
    redated = {old.fault: old for old in reversed(orphans) if old.fault in new}
    raised = {finding.raised for finding in latest.values()}
    found_out = [
        Outcome(replace(old, ended=reached), old.fault not in standing)
        for old in orphans
        if redated.get(old.fault) is not old
    ]
    for key, finding in latest.items():
        recent = finding.raised > reached - DAY
        old = redated.get(finding.fault) if finding.ended is None and key not in open_keys else None
        if old is not None:
            graver = rationale_of(finding).urgent and not rationale_of(old).urgent
            found_out.append(Outcome(finding, graver, replace(old, ended=reached)))
        elif finding.ended is None:
            found_out.append(Outcome(finding, loud=True))
        else:
            gave_way = finding.ended in raised
            found_out.append(Outcome(replace(finding, ended=None), recent and not gave_way))
            found_out.append(Outcome(finding, (recent or key in open_keys) and not gave_way))
    return found_out


def _key(finding: Finding) -> tuple[Fault, int]:
    """Return what identifies a finding; times as the store keeps them, in whole microseconds."""
    return finding.fault, round(finding.raised * 1e6)
