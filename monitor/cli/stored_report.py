"""What is known of a site by what its service has stored, worked out beside the service as it does itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.app import existing_store
from monitor.cli.visit import known_site
from monitor.diagnosis.report import Report
from monitor.service.clock import SystemClock
from monitor.service.photos import PhotoNote
from monitor.service.rebuild import Rebuild
from monitor.site import Site, Visit

if TYPE_CHECKING:
    from monitor.service.ports import Store
    from monitor.service.settings import ServiceSettings


@dataclass(frozen=True, slots=True)
class Known:
    """A site, its visits and their photos, and the report at ``now`` [epoch s]; ``length`` of a watch. [s]."""

    site: Site
    visits: tuple[Visit, ...]
    photos: tuple[PhotoNote, ...]
    report: Report
    now: float
    length: float


def stored_report(settings: ServiceSettings, site: str) -> Known:
    """Return what is known of a site; `InputError` if there is no such site, or no store yet."""
    facts = known_site(settings, site)
    now = SystemClock().now()
    with existing_store(settings) as store:
        report = report_from(store, facts, now)
        visits, photos = tuple(store.visits(site)), tuple(store.photos(site))
    return Known(facts, visits, photos, report, now, settings.visits.watch)


def report_from(store: Store, site: Site, now: float) -> Report:
    """Return the report at ``now`` [epoch s]; from a saved state, unless a visit of before it was told after it."""
    since = math.inf
    while True:
        work = Rebuild(site, store, since)
        while not work.step():
            pass
        if work.pipeline.late_visit >= since or math.isinf(work.pipeline.late_visit):
            break
        since = work.pipeline.late_visit
    work.pipeline.tick(now)
    return work.pipeline.report()
