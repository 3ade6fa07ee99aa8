"""The visit book of a site as its page shows it: each visit with its watch, and the advice after the last one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.diagnosis.watchweek import Watched, WatchState, watches
from monitor.diagnosis.watchweek_words import headline, sentence
from monitor.diagnosis.words import Speaker
from monitor.service.followup import advice_of
from monitor.service.photos import PhotoNote
from monitor.service.ports import SiteView
from monitor.site import Visit
from monitor.web import words
from monitor.web.machine import rfc3339
from monitor.web.visits.words import ADVICE, DONE, facts


@dataclass(frozen=True, slots=True)
class Entry:
    """One visit. ``state`` is that of its watch, empty where it has none; ``proof``: address of the proof."""

    when: str
    done: str
    state: str
    watch: str
    told: str
    facts: tuple[tuple[str, str], ...]
    photos: tuple[tuple[str, str], ...]
    proof: str


@dataclass(frozen=True, slots=True)
class Followup:
    """What the page of a site says of its ``last`` visit with a watch, and what to do next."""

    advice: str
    do: str
    why: str
    last: Entry | None
    count: int


def book(view: SiteView, photos: Sequence[PhotoNote], now: float, length: float) -> list[Entry]:
    """Return the visits of a site, newest first; ``length`` of a watch. [s]."""
    found = {id(one.visit): one for one in watches(view.site, view.visits, view.report, now, length)}
    newest = sorted(view.visits, key=lambda visit: visit.time, reverse=True)
    return [_entry(view, visit, found.get(id(visit)), photos) for visit in newest]


def followup(view: SiteView, now: float, length: float) -> Followup:
    """Return what the page of a site says of its visits."""
    row = advice_of(view.site, view.visits, view.report, now, length)
    entries = book(view, (), now, length)
    # A later look at the place does not hide how the charge fares.
    last = next((one for one in entries if one.state), entries[0] if entries else None)
    return Followup(ADVICE[row.advice], row.do, row.why, last, len(entries))


def _entry(view: SiteView, visit: Visit, watch: Watched | None, photos: Sequence[PhotoNote]) -> Entry:
    site = view.site
    mine = [one for one in photos if one.time == visit.time and one.action is visit.action]
    held = watch is not None and watch.state is WatchState.HELD
    return Entry(
        when=words.moment(visit.time, site.timezone),
        done=DONE[visit.action],
        state="" if watch is None else watch.state.value,
        watch="" if watch is None else headline(watch),
        told="" if watch is None else sentence(watch, Speaker(site)),
        facts=tuple(one for one in facts(site, visit) if one[0] not in {"Action", "Time"}),
        photos=tuple(
            (f"/sites/{site.id}/photos/{one.number}", f"Photo {count}") for count, one in enumerate(mine, 1)
        ),
        proof=f"/sites/{site.id}/proof?visit={rfc3339(visit.time)}" if held else "",
    )
