"""From a finding to one alert for each who is told of it, in the words of each."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace

from monitor.alerting.machine_text import document
from monitor.alerting.people import Book
from monitor.alerting.texts import ENGLISH, ended_alert, raised_alert
from monitor.alerting.voice import Voice
from monitor.diagnosis.faults import Finding
from monitor.diagnosis.report import Report
from monitor.service.ports import Alert, AlertKind, Clock
from monitor.site import Site


def alerts_of(
    book: Book, voices: Mapping[str, Voice], site: Site, finding: Finding, report: Report, now: float
) -> dict[str, Alert]:
    """Return the alert for each who is told of a finding, raised or ended, by name. ``now``: epoch s.

    Those who are only told where nobody acknowledges hear of the end if they have heard of the beginning.
    """
    build = raised_alert if finding.ended is None else ended_alert
    made: dict[int, Alert] = {}

    def alert(name: str) -> Alert:
        voice = voices.get(name, ENGLISH)
        if id(voice) not in made:
            made[id(voice)] = build(finding, site, report, now, voice)
        return made[id(voice)]

    first = book.first(site, finding)
    found = {one.name: replace(alert(one.name), arranged=one.manner is not None) for one in first}
    programs = [one.name for one in first if one.secret is not None]
    if programs:
        fields = json.dumps(document(finding, site, report), allow_nan=False)
        found.update({name: replace(found[name], body=fields) for name in programs})
    if finding.ended is not None:
        for one in (one for step in book.chain(site, finding) for one in step):
            found.setdefault(one.name, replace(alert(one.name), kind=AlertKind.ENDED_IF_TOLD, arranged=True))
    return found


def composer(
    book: Book, voices: Mapping[str, Voice], report_of: Callable[[Site], Report], clock: Clock
) -> Callable[[Site, Finding], Mapping[str, Alert]]:
    """Return the function that turns a finding, raised or ended, into one alert per recipient."""

    def compose(site: Site, finding: Finding) -> Mapping[str, Alert]:
        return alerts_of(book, voices, site, finding, report_of(site), clock.now())

    return compose
