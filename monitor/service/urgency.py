"""The order in which sites matter, and whether a verdict is of the present."""

from __future__ import annotations

import math
from typing import Final

from monitor.diagnosis.faults import Severity
from monitor.diagnosis.report import Verdict
from monitor.service.lifecycle import silence
from monitor.service.lifecycle_records import Silence
from monitor.service.ports import SiteView

SILENT: Final = 3600.0
"""Seconds without any reading after which the last verdict is shown as past, not as present."""

_BY_SEVERITY: Final = {Severity.HIGH: 0, Severity.MEDIUM: 1, Severity.LOW: 2}
_IN_HAND: Final = 3
"""Rank of a fault that a person has shelved or works on: after all that nobody cares for."""
_BY_VERDICT: Final = {
    Verdict.FAULT: 0,
    Verdict.BLIND: 4,
    Verdict.DOUBTFUL: 5,
    Verdict.LEARNING: 6,
    Verdict.HOLDING: 7,
}


def last_heard(view: SiteView) -> float | None:
    """Return the time of the newest reading of a site."""
    return max((reading.time for reading in view.latest.values()), default=None)


def silent(view: SiteView, now: float) -> bool:
    """Tell whether a site has not been heard for so long that nothing is known of its present."""
    heard = last_heard(view)
    return heard is None or now - heard > SILENT


def urgency(view: SiteView, now: float) -> tuple[int, float, str]:
    """Return a key that sorts the most urgent site first.

    Faults by priority, the one that runs out of air soonest first; then faults that a person has shelved or works
    on; then sites of which nothing is known now, since an unseen fault may hide there; then those that are being
    learnt; sound ones last.
    """
    standing = [finding for finding in view.report.findings if finding.ended is None]
    hands = {
        (event.finding.fault, event.finding.raised)
        for event in view.events
        if event.state.active and silence(event) in {Silence.SHELVED, Silence.OUT_OF_SERVICE}
    }
    rank = min(
        (_IN_HAND if (one.fault, one.raised) in hands else _BY_SEVERITY[one.severity] for one in standing),
        default=_BY_VERDICT[view.report.verdict],
    )
    if silent(view, now):
        rank = min(rank, _BY_VERDICT[Verdict.BLIND])
    forecast = view.report.forecast
    return rank, forecast.limit_date if forecast else math.inf, view.site.name or view.site.id
