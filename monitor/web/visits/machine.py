"""Visits for other programs: kPa gauge, litres, UTC; null where nobody looked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from monitor.diagnosis.advice import Row
from monitor.diagnosis.watchweek import Watched, watches
from monitor.service.followup import advice_of
from monitor.service.photos import PhotoNote
from monitor.service.ports import SiteView
from monitor.site import Visit
from monitor.units import KPA
from monitor.web.machine import number, rfc3339


def book(view: SiteView, photos: Sequence[PhotoNote], now: float, length: float) -> dict[str, Any]:
    """Return the visit book of a site with its watches and the advice; ``length`` of a watch. [s]."""
    found = {id(one.visit): one for one in watches(view.site, view.visits, view.report, now, length)}
    row = advice_of(view.site, view.visits, view.report, now, length)
    return {
        "site": view.site.id,
        "advice": advice(row),
        "visits": [
            {**visit(one, photos), "watch": watch(found[id(one)]) if id(one) in found else None}
            for one in view.visits
        ],
    }


def advice(row: Row) -> dict[str, str]:
    """Return one row of the decision table without its conditions."""
    return {"advice": row.advice.value, "do": row.do, "why": row.why}


def visit(one: Visit, photos: Sequence[PhotoNote] = ()) -> dict[str, Any]:
    """Return what was told of a visit."""
    return {
        "time": rfc3339(one.time),
        "action": one.action.value,
        "found_kpa": _kpa(one.before),
        "precharge_kpa": _kpa(one.precharge),
        "supply_kpa": _kpa(one.supply),
        "water_at_valve": one.water_at_valve,
        "leak": one.leak,
        "tank_volume_litres": number(None if one.tank_volume is None else one.tank_volume * 1000.0),
        "who": one.who,
        "note": one.note,
        "photos": [
            {"number": note.number, "kind": note.kind.value, "bytes": note.size, "sha256": note.sha256}
            for note in photos
            if note.time == one.time and note.action is one.action
        ],
    }


def watch(one: Watched) -> dict[str, Any]:
    """Return the state of a watch."""
    newest = one.newest
    return {
        "state": one.state.value,
        "reason": one.reason.value,
        "day": one.day,
        "days": one.days,
        "end": rfc3339(one.end),
        "decided": rfc3339(one.decided),
        "weighings": one.windows,
        "blind_hours": number(one.blind / 3600.0, 1),
        "enough": one.enough,
        "fault": None if one.fault is None else one.fault.value,
        "air_charge": None
        if newest is None
        else {
            "time": rfc3339(newest.time),
            "kpa": number(newest.kpa),
            "low_kpa": number(newest.low_kpa),
            "high_kpa": number(newest.high_kpa),
        },
    }


def _kpa(pascal: float | None) -> float | None:
    return number(None if pascal is None else pascal / KPA)
