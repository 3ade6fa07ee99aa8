"""What the page shows beside the findings: what is being worked on, what is shelved, and many sites at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.faults import Finding
from monitor.diagnosis.rationale import rationale, rationale_of
from monitor.diagnosis.timings import longest_shelf
from monitor.readings import Point
from monitor.service.lifecycle_groups import explains, grouped
from monitor.service.lifecycle_words import out_words, quiet, reminder
from monitor.service.ports import Event, EventChange, EventState, SiteView
from monitor.web import words

POINTS: Final = (("", "The whole site"), *((point.value, f"Only the {point.value}") for point in Point))
"""What can be taken out of service, as the form offers it."""

_TAKEN: Final = (
    (EventState.ACTIVE_UNACKNOWLEDGED, EventState.ACTIVE_ACKNOWLEDGED),
    (EventState.RETURNED_UNACKNOWLEDGED, EventState.NORMAL),
)
"""The changes that only a person makes."""


@dataclass(frozen=True, slots=True)
class Work:
    """A site or a point that is out of service; ``name`` and ``id`` are the site's."""

    id: str
    name: str
    number: int
    point: str
    what: str
    text: str
    reminder: str


@dataclass(frozen=True, slots=True)
class Together:
    """One fault at many sites at once, with the sites by id and name."""

    text: str
    sites: tuple[tuple[str, str], ...]


def outs(view: SiteView, now: float) -> list[Work]:
    """Return what is out of service at a site, in words."""
    zone = view.site.timezone
    return [
        Work(
            id=view.site.id,
            name=view.site.name or view.site.id,
            number=out.number,
            point=out.point.value if out.point else "",
            what=f"the {out.point.value}" if out.point else "the site",
            text=out_words(out, lambda time: words.moment(time, zone)),
            reminder=reminder(out, now),
        )
        for out in view.outs
    ]


def everywhere(views: Sequence[SiteView], now: float) -> list[Work]:
    """Return what is out of service at any site."""
    return [work for view in views for work in outs(view, now)]


def groups(views: Sequence[SiteView], now: float) -> list[Together]:
    """Return the faults that many sites have raised at once."""
    names = {view.site.id: view.site.name or view.site.id for view in views}
    zones = {view.site.id: view.site.timezone for view in views}
    return [
        Together(
            f"{len(group.sites)} sites at once, {words.moment(group.first, zones[group.sites[0]])}: "
            f"{rationale(group.fault.value).headline}. Look first for what they share.",
            tuple((site, names[site]) for site in group.sites),
        )
        for group in grouped([event for view in views for event in view.events], now)
    ]


def shelves(event: Event) -> tuple[tuple[int, str], ...]:
    """Return the lengths that the form offers for a shelf, in seconds and in words; none where it needs no shelf."""
    if not event.state.active or event.shelf is not None:
        return ()
    longest = longest_shelf(event.finding)
    return tuple((round(share * longest), words.span(share * longest)) for share in (0.25, 0.5, 1.0))


def notes(event: Event, view: SiteView) -> tuple[str, str]:
    """Return why people are not told of an event, and what it explains; empty where there is nothing to say."""
    why = _quiet(event, view) if event.state.active else ""
    names = [
        f"event {one.number} ({rationale_of(one.finding).headline})" for one in explains(event, view.events)
    ]
    return why, f"It explains {', '.join(names)}." if names else ""


def taken(event: Event, changes: Callable[[int], Sequence[EventChange]], timezone: str) -> str:
    """Return who has taken an event and when, empty where nobody has."""
    if event.state.value.endswith("unacknowledged"):
        return ""
    found = next((one for one in changes(event.number) if (one.before, one.after) in _TAKEN), None)
    return "" if found is None else f"Taken by {found.who}, {words.moment(found.time, timezone)}."


def quiet_of(finding: Finding, view: SiteView) -> str:
    """Return why people are not told of a finding that stands at a site."""
    key = (finding.fault, finding.raised)
    events = (one for one in view.events if (one.finding.fault, one.finding.raised) == key)
    return next((_quiet(event, view) for event in events if event.state.active), "")


def _quiet(event: Event, view: SiteView) -> str:
    return quiet(event, lambda time: words.moment(time, view.site.timezone))
