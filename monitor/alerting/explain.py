"""Says of a site and a fault who would be told when, and in which words, without waiting for a fault. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

from monitor.alerting.clerk import Office
from monitor.alerting.daytimes import next_slot, quiet_until
from monitor.alerting.people import Book, Recipient, is_urgent
from monitor.alerting.routing import alerts_of
from monitor.alerting.texts import signature, signed
from monitor.alerting.voice import Voice
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import Report, Verdict
from monitor.diagnosis.timings import respond_within
from monitor.service.lifecycle_groups import MANY
from monitor.service.ports import Alert
from monitor.site import Site


@dataclass(frozen=True, slots=True)
class Told:
    """One recipient: when it is told, in a sentence, and the alert."""

    name: str
    when: str
    alert: Alert


_HIGH: Final = frozenset({Fault.AIR_CUSHION_LOST, Fault.RELIEF_DISCHARGING})


def usual(fault: Fault) -> Severity:
    """Return the priority that a fault has where nothing makes it more urgent."""
    return Severity.HIGH if fault in _HIGH else Severity.MEDIUM


def nothing_known(site: Site) -> Report:
    """Return the report of a site of which nothing has been measured."""
    return Report(
        site=site.id, start=None, end=None, samples=0, verdict=Verdict.LEARNING, verdict_why="", air_charge=(),
        worst_case_peak_kpa=None, supply_kpa=None, findings=(), blind=(), forecast=None, last_window=None, windows=0,
    )  # fmt: skip


def explain(office: Office, site: Site, finding: Finding, now: float) -> list[Told]:
    """Return who would be told of a finding that is raised at ``now`` (epoch s), in the order in which they are."""
    book, voices = office.book, office.voices
    alerts: Mapping[str, Alert] = alerts_of(book, voices, site, finding, office.report_of(site), now)
    first = book.first(site, finding)

    def said(one: Recipient, alert: Alert) -> Alert:
        return replace(alert, sign=signature(alert, voices.get(one.name, Voice())))

    told = [
        Told(one.name, _when(office, one, site, finding, now), said(one, alerts[one.name])) for one in first
    ]
    everybody = Book(book.recipients)  # without rules: all of them
    length = respond_within(finding)
    for step, people in enumerate(book.chain(site, finding), 1):
        for one in people:
            alert = alerts_of(everybody, voices, site, finding, office.report_of(site), now)[one.name]
            wait = Voice().length(step * length)
            told.append(Told(one.name, f"if nobody has acknowledged it after {wait}", said(one, alert)))
    return told


def _when(office: Office, one: Recipient, site: Site, finding: Finding, now: float) -> str:
    if one.manner is None:
        return "at once, alone"
    if is_urgent(finding):
        return "at once, also in quiet hours"
    return ", ".join(_waits(office, one, site, finding, now))


def _waits(office: Office, one: Recipient, site: Site, finding: Finding, now: float) -> Iterator[str]:
    manner, voice = one.manner, Voice()
    if manner is None:
        return
    if manner.digest != "off" and finding.severity in manner.digest_for:
        zone = office.zone(one)
        due = next_slot(manner.digest_at, now, zone, weekly=manner.digest == "weekly")
        yield f"with the {manner.digest} digest, next on {voice.moment(due, zone)}"
        return
    end = quiet_until(manner.quiet, now, site.timezone)
    if end is not None:
        yield f"it is quiet there now: on {voice.moment(end, site.timezone)} if it still stands"
    elif manner.group:
        yield f"after {manner.group:.0f} s, together with the others where {MANY} sites or more raise the same"
    else:
        yield "at once"
    if end is None and manner.quiet is not None:
        (first, last) = manner.quiet
        yield f"from {_clock(first)} to {_clock(last)} ({site.timezone}) not before {_clock(last)}"


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def shown(told: Told) -> str:
    """Return what the terminal shows of one recipient."""
    words = "\n".join(
        f"    {line}".rstrip() for line in (told.alert.title, "", *signed(told.alert).splitlines())
    )
    return f"{told.name}: {told.when}\n\n{words}\n"
