"""The alert of a fault that comes and goes: one notice in the place of one for each time."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.rationale import rationale_of
from monitor.diagnosis.timings import CHATTER_HOLD, CHATTER_SPAN, CHATTERS
from monitor.service.ports import Alert

_DAY: Final = 86400.0
_MARK: Final = ", comes and goes"
_TITLE: Final = 120
"""Letters of a title that a small screen shows."""


def chatter_notice(alert: Alert, finding: Finding) -> Alert:
    """Return the alert of the raise that makes a fault chatter: what is new first, then what it says anyway."""
    days = f"{CHATTER_SPAN / _DAY:.0f} days"
    if rationale_of(finding).urgent:
        rest = "It is urgent, so you are told each time all the same."
    else:
        rest = (
            f"When it comes again within {days} you are not told, unless it stands for {CHATTER_HOLD / 3600.0:.0f} h; "
            "the page lists each time."
        )
    words = f"This has come and gone: it is raised for the {CHATTERS}rd time within {days}. {rest}"
    title = alert.title + _MARK if len(alert.title) + len(_MARK) <= _TITLE else alert.title
    return replace(alert, title=title, body=f"{words}\n\n{alert.body}")
