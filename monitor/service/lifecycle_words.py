"""What keeps an event quiet, and what is being worked on, in sentences; lengths of time as people write them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from typing import Final

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.timings import CHATTER_HOLD, CHATTER_SPAN, CHATTERS, DAY, HOUR
from monitor.errors import InputError
from monitor.service.lifecycle import silence
from monitor.service.lifecycle_records import OutOfService, Silence
from monitor.service.ports import Event

LONGEST_NAME: Final = 80
LONGEST_WHY: Final = 200
"""Letters of a reason."""

REMIND: Final = 7.0 * DAY
"""Age from which a site that is out of service is asked about: work takes a day, waiting for a part a week. [s]"""

Moment = Callable[[float], str]
"""From epoch seconds to words."""

_UNITS: Final = {"min": 60.0, "h": HOUR, "hour": HOUR, "day": DAY, "d": DAY, "week": 7.0 * DAY}
_LENGTH: Final = re.compile(r"(\d{1,6}(?:\.\d{1,3})?) *([a-z]+?)s?")


def quiet(event: Event, moment: Moment) -> str:
    """Return why people are not told of an event, or that it comes and goes; empty where there is nothing to say."""
    why = silence(event)
    if why is Silence.SHELVED and event.shelf is not None:
        return f"Shelved until {moment(event.shelf.until)} by {event.shelf.who}: {_ended(event.shelf.why)}"
    if why is Silence.OUT_OF_SERVICE and event.out is not None:
        return out_words(event.out, moment)
    if why is Silence.BY_DESIGN:
        return (
            f"Event {event.cause} is its first cause: this one is told if it still stands when that is over."
        )
    days = f"{CHATTER_SPAN / DAY:.0f} days"
    if why is Silence.CHATTERING:
        return (
            f"Raised {event.raises} times within {days}: it comes and goes, and is told again when it stands for "
            f"{CHATTER_HOLD / HOUR:.0f} h."
        )
    return recurring(event.raises)


def recurring(raises: int) -> str:
    """Return that a fault comes and goes, where it was raised so often within `CHATTER_SPAN`; else empty."""
    if raises < CHATTERS:
        return ""
    return f"Raised {raises} times within {CHATTER_SPAN / DAY:.0f} days: it comes and goes."


def raises_of(finding: Finding, findings: Iterable[Finding]) -> int:
    """Return how many of the findings of a site are raises of this fault within `CHATTER_SPAN` up to this one."""
    return sum(
        1
        for one in findings
        if one.fault is finding.fault and finding.raised - CHATTER_SPAN < one.raised <= finding.raised
    )


def out_words(out: OutOfService, moment: Moment) -> str:
    """Return what is out of service, since when, and who works on it."""
    what = "Out of service" if out.point is None else f"{out.point.value.capitalize()} out of service"
    text = f"{what} since {moment(out.since)}, taken out by {out.who}: {_ended(out.why)}"
    if out.urgent_until is None:
        return text
    return f"{text} Urgent events are not told either until {moment(out.urgent_until)}."


def reminder(out: OutOfService, now: float) -> str:
    """Return the question whether work still goes on, empty where it is too early to ask."""
    if now - out.since < REMIND:
        return ""
    return f"That is {(now - out.since) / DAY:.0f} days ago: is it still so? Nobody is told of its events."


def said(text: str, what: str, most: int) -> str:
    """Return a person's words on one line, without characters that a terminal or a page would obey.

    Raises `InputError` where nothing is left, or more than ``most`` letters are.
    """
    visible = "".join(" " if unicodedata.category(sign)[0] in "CZ" else sign for sign in text)
    words = " ".join(visible.split())
    if not words:
        raise InputError(f"{what} is missing: every change is kept with who made it and why")
    if len(words) > most:
        raise InputError(f"{what} has {len(words)} letters; at most {most} are kept")
    return words


def length(text: str) -> float:
    """Return a length of time in seconds.

    Raises `InputError` where it is none.

    >>> length("90 min"), length("3 days"), length("1.5h")
    (5400.0, 259200.0, 5400.0)
    """
    found = _LENGTH.fullmatch(text.strip().lower())
    if found is None or found[2] not in _UNITS:
        raise InputError(
            f"{text!r} is no length of time; write it like '90 min', '8 h', '3 days' or '2 weeks'"
        )
    return float(found[1]) * _UNITS[found[2]]


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."
