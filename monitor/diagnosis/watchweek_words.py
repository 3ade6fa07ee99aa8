"""The watch of a visit in sentences: its state, what is seen so far, what is missing."""

from __future__ import annotations

from typing import Final

from monitor.diagnosis.sight import WINDOWS_NEEDED
from monitor.diagnosis.watchweek import DAY, Reason, Watched, WatchState
from monitor.diagnosis.words import Speaker
from monitor.units import KPA

HEADS: Final = {
    WatchState.RUNNING: "Watch running",
    WatchState.HELD: "Held",
    WatchState.FALLEN: "Fallen again",
    WatchState.UNPROVABLE: "Not provable",
    WatchState.OVERTAKEN: "Overtaken by another visit",
}
"""One or two words for each state."""


def headline(watch: Watched) -> str:
    """Return the state in a few words."""
    if watch.state is WatchState.RUNNING:
        return f"{HEADS[watch.state]}, day {watch.day} of {watch.days}"
    return HEADS[watch.state]


def sentence(watch: Watched, speaker: Speaker) -> str:
    """Return what is known of what the visit left, and what is missing."""
    left = speaker.pressure(watch.left * KPA)
    match watch.reason:
        case Reason.NOT_OVER:
            return _running(watch, speaker, left)
        case Reason.KEPT:
            return (
                f"The visit left {left}; {watch.days} days and {watch.windows} weighings later the tank holds "
                f"{_estimate(watch, speaker)}."
            )
        case Reason.BELOW:
            return (
                f"The visit left {left}; since {speaker.moment(watch.decided or watch.now)} the estimate is "
                f"certainly below that: {_estimate(watch, speaker)}. The tank does not keep its air."
            )
        case Reason.GAUGED_BELOW:
            found = speaker.pressure((watch.found or 0.0) * KPA)
            return f"The visit left {left}; the next one gauged {found}. The tank does not keep its air."
        case Reason.NEXT_VISIT:
            return "Another visit began a watch of its own before this one was over."
        case _:
            return f"{missing(watch, speaker)} So nobody can say that it held."


def missing(watch: Watched, speaker: Speaker) -> str:
    """Return what is missing for a proof, in a sentence; of a running watch that it is not over."""
    said = {
        Reason.NO_CHARGE: "The visit did not note the charge that it left.",
        Reason.BLIND: f"For {watch.blind / DAY:.1f} of {watch.days} days nothing could be seen of the tank.",
        Reason.TOO_LITTLE: (
            "The visit left too little air for this line, or the tank is known to be low on air: no repair that "
            "could hold."
        ),
        Reason.EXPLAINED: f"Another fault bends or hides what is seen of the tank: {_fault(watch)}.",
        Reason.NO_ESTIMATE: "There is no estimate of the last day: no readings, or none that tell of the tank.",
        Reason.FEW_WINDOWS: (
            f"The tank was weighed only {watch.windows} times since; {WINDOWS_NEEDED} times is the least."
        ),
        Reason.UNSURE: (
            f"The estimate, {_estimate(watch, speaker)}, neither shows that the charge held nor that it fell."
        ),
        Reason.NOT_OVER: (
            f"The watch is not over: this is day {watch.day} of {watch.days}, and it ends {speaker.moment(watch.end)}."
        ),
        Reason.NEXT_VISIT: "Another visit changed or gauged the tank before the watch was over.",
        Reason.BELOW: "The charge has fallen again.",
        Reason.GAUGED_BELOW: "The charge has fallen again.",
    }
    return said.get(watch.reason, "")


def _running(watch: Watched, speaker: Speaker, left: str) -> str:
    ends = f"The watch ends {speaker.moment(watch.end)}."
    if watch.newest is None:
        return f"The visit left {left}; nothing has been seen since. {ends}"
    seen = f"The visit left {left}; by {watch.windows} weighings since, the tank now holds {_estimate(watch, speaker)}."
    if watch.fault is not None:
        return f"{seen} While another fault stands ({_fault(watch)}), that proves nothing. {ends}"
    evidence = (
        "That is enough to tell a loss so far." if watch.enough else "That is not enough yet to tell a loss."
    )
    return f"{seen} {evidence} {ends}"


def _fault(watch: Watched) -> str:
    return "" if watch.fault is None else watch.fault.value.replace("_", " ")


def _estimate(watch: Watched, speaker: Speaker) -> str:
    one = watch.newest
    if one is None:
        return "not known"
    low, middle, high = (max(value, 0.0) * KPA for value in (one.low_kpa, one.kpa, one.high_kpa))
    return speaker.interval(low, middle, high)
