"""``cushionwatch performance``: whether the events serve those who get them, by the figures of the standard."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any, Final, NamedTuple

import typer

from monitor.cli.config import DEFAULT, EPILOG, Config, load

if TYPE_CHECKING:
    from monitor.service.lifecycle_figures import Figures

_DAY: Final = 86400.0
_SEEN: Final = "ISA-18.2-2016, second-hand"
_OURS: Final = "not in the standard"


class _Line(NamedTuple):
    what: str
    value: str
    target: str
    source: str


def performance(
    config: Config = DEFAULT,
    days: Annotated[float, typer.Option(min=0.1, max=3650, help="How many days back from now.")] = 30.0,
    people: Annotated[int, typer.Option(min=1, max=10_000, help="Persons who share the events.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Tell how many events people got, how many meant nothing, and whether they were taken in time.

    Beside each figure stands the target of ISA-18.2 and IEC 62682 where they have one. Those are examples for operators
    at a desk, per person; nobody has to meet them here.

    Example: `cushionwatch performance --days 30`
    """
    from monitor.app import existing_store  # noqa: PLC0415 - loads the store
    from monitor.service.clock import SystemClock  # noqa: PLC0415
    from monitor.service.lifecycle_figures import figures  # noqa: PLC0415

    settings = load(config)
    now = SystemClock().now()
    since = now - days * _DAY
    with existing_store(settings) as store:
        store.lapse(now)
        # The first acknowledgement of an event that was raised in the span lies in it too.
        found = figures(
            store.events_raised(since), store.audit(since), now, days, len(settings.sites), people
        )
    typer.echo(_as_json(found) if as_json else _as_text(found))


def _as_text(found: Figures) -> str:
    from monitor.cli.event_text import columns  # noqa: PLC0415 - loads the core

    lines = columns(("figure", "value", "target", "source of the target"), list(_lines(found)))
    lines += [f"{site}: {fault} raised {count} times" for site, fault, count in found.top if count > 1]
    sites = "1 site" if found.sites == 1 else f"{found.sites} sites"
    share = f"{found.people} person" if found.people == 1 else f"{found.people} persons"
    return "\n".join(
        [
            *lines,
            f"{found.days:g} days, {sites}, {share}; {found.raised} raised, {found.told} told",
        ]
    )


def _lines(found: Figures) -> Iterable[_Line]:
    yield _Line("told per site and week", f"{found.per_site_week:.2g}", "none", _OURS)
    yield _Line("told per person and day", f"{found.per_operator_day:.2g}", "about 144, at most 288", _SEEN)
    yield _Line("most within 10 min", str(found.peak), "at most 10", _SEEN)
    yield _Line("share of time in a flood", f"{100 * found.flood_share:.2g} %", "below 1 %", _SEEN)
    share = "nothing told" if found.top_share is None else f"{100 * found.top_share:.0f} %"
    yield _Line("share of the 10 most frequent", share, "1 to 5 %", f"{_SEEN}; of many hundreds of alarms")
    yield _Line(
        "coming and going", str(found.chattering), "0", f"{_SEEN}; here 3 within 7 days, not a minute"
    )
    yield _Line("fleeting", str(found.fleeting), "0", f"{_SEEN}; here over within a day")
    yield _Line("stale", str(found.stale), "below 5", f"{_SEEN}; 24 h there, here by priority 2, 14, 30 days")
    yield _Line("standing now", f"{found.standing}, {found.quiet} of them quiet", "none", _OURS)
    told = max(found.told, 1)
    for kind, target in zip(found.priorities, ("5 %", "15 %", "80 %"), strict=True):
        count = found.priorities[kind]
        yield _Line(
            f"{kind.value} priority", f"{count} ({100 * count / told:.0f} %)", f"about {target}", _SEEN
        )
    for kind, one in found.response.items():
        value = f"{one.in_time} of {one.judged}"
        yield _Line(
            f"taken in time, {kind.value} priority", value, "all", f"{_OURS}; times of response are ours"
        )


def _as_json(found: Figures) -> str:
    told: dict[str, Any] = {
        "days": found.days,
        "sites": found.sites,
        "people": found.people,
        "raised": found.raised,
        "told": found.told,
        "told_per_site_week": round(found.per_site_week, 4),
        "told_per_person_day": round(found.per_operator_day, 4),
        "peak_per_10_min": found.peak,
        "flood_share": round(found.flood_share, 6),
        "top_10_share": None if found.top_share is None else round(found.top_share, 4),
        "top_10": [{"site": site, "fault": fault, "count": count} for site, fault, count in found.top],
        "chattering": found.chattering,
        "fleeting": found.fleeting,
        "stale": found.stale,
        "standing": found.standing,
        "standing_quiet": found.quiet,
        "priorities": {kind.value: count for kind, count in found.priorities.items()},
        "taken_in_time": {
            kind.value: {"judged": one.judged, "in_time": one.in_time} for kind, one in found.response.items()
        },
        "targets": {line.what: {"target": line.target, "source": line.source} for line in _lines(found)},
    }
    return json.dumps(told, indent=2)


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command(epilog=EPILOG)(performance)
