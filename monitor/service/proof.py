"""The facts by which a visit's repair is proved to have held, with a digest that covers all of them. Pure."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from monitor.diagnosis.report import ChargeEstimate, Report
from monitor.diagnosis.watchweek import DAY, WEEK, Watched, WatchState, watches
from monitor.errors import InputError
from monitor.service.photos import PhotoNote
from monitor.site import Site, Visit
from monitor.units import KPA

BEFORE: Final = WEEK
"""Seconds before the visit of which the estimates are shown."""

_NEAR: Final = 3.0 * DAY
"""Age at which an estimate no longer tells of the moment before the visit. [s]"""

_FORM: Final = 1
"""Counts the changes of the form of the facts."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What a proof rests on: the watch that held, estimates from a week before to its end, photos of the visit.

    ``before`` is the last estimate before the visit, None where there was none in three days; ``facts`` is all of it
    as canonical JSON, ``digest`` the SHA-256 of that.
    """

    site: Site
    watch: Watched
    before: ChargeEstimate | None
    series: tuple[ChargeEstimate, ...]
    photos: tuple[PhotoNote, ...]
    facts: str
    digest: str


def watch_at(
    site: Site,
    visits: Sequence[Visit],
    report: Report,
    now: float,
    *,
    time: float | None,
    length: float = WEEK,
) -> Watched:
    """Return the watch of the visit at ``time`` [epoch s, to the second], of the last one where it is None.

    Raises
    ------
    InputError
        If there is no such visit that gauged or changed the charge; names those that there are.
    """
    found = watches(site, visits, report, now, length)
    if time is None and found:
        return found[-1]
    same = [one for one in found if time is not None and abs(one.visit.time - time) < 1.0]
    if same:
        return same[-1]
    known = ", ".join(_stamp(one.visit.time) for one in found) or "none"
    what = (
        "no visit that gauged or changed the charge" if time is None else f"no such visit at {_stamp(time)}"
    )
    raise InputError(f"site {site.id!r} has {what}; those that can be proved are of: {known}")


def proof_of(site: Site, report: Report, watch: Watched, photos: Sequence[PhotoNote] = ()) -> Proof:
    """Return the proof of a watch that held; `InputError` for any other."""
    if watch.state is not WatchState.HELD:
        raise InputError(
            f"the visit of {_stamp(watch.visit.time)} has not been shown to hold: {watch.reason.value}"
        )
    start = watch.visit.time
    series = tuple(one for one in report.air_charge if start - BEFORE <= one.time <= watch.end)
    earlier = [one for one in series if start - _NEAR <= one.time < start and report.windows]
    before = earlier[-1] if earlier else None
    mine = tuple(one for one in photos if one.time == start and one.action is watch.visit.action)
    facts = json.dumps(
        _facts(site, watch, before, series, mine), ensure_ascii=False, sort_keys=True, separators=(",", ":")
    )
    return Proof(site, watch, before, series, mine, facts, hashlib.sha256(facts.encode()).hexdigest())


def _facts(
    site: Site,
    watch: Watched,
    before: ChargeEstimate | None,
    series: Sequence[ChargeEstimate],
    photos: Sequence[PhotoNote],
) -> Mapping[str, Any]:
    visit = watch.visit
    return {
        "form": _FORM,
        "site": {
            "id": site.id,
            "name": site.name,
            "timezone": site.timezone,
            "tank_litres": _litres(site.tank_volume),
        },
        "visit": {
            "time": _stamp(visit.time),
            "action": visit.action.value,
            "found_kpa": _kpa(visit.before),
            "left_kpa": _kpa(visit.precharge),
            "supply_kpa": _kpa(visit.supply),
            "water_at_valve": visit.water_at_valve,
            "leak": visit.leak,
            "tank_litres": _litres(visit.tank_volume),
            "who": visit.who,
            "note": visit.note,
            "photos_sha256": [one.sha256 for one in photos],
        },
        "watch": {
            "end": _stamp(watch.end),
            "state": watch.state.value,
            "weighings": watch.windows,
            "blind_hours": round(watch.blind / 3600.0, 1),
        },
        "before": None if before is None else _estimate(before),
        "after": None if watch.newest is None else _estimate(watch.newest),
        "estimates": [_estimate(one) for one in series],
    }


def _estimate(one: ChargeEstimate) -> list[Any]:
    """Return time, estimate and the two ends of its 90 % interval. [kPa gauge]."""
    return [_stamp(one.time), round(one.kpa, 1), round(one.low_kpa, 1), round(one.high_kpa, 1)]


def _kpa(pascal: float | None) -> float | None:
    return None if pascal is None else round(pascal / KPA, 1)


def _litres(volume: float | None) -> float | None:
    return None if volume is None else round(volume * 1000.0, 2)


def _stamp(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
