"""How alerts leave the service: who is told in which words, and what is put in when one is sent."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from monitor.alerting.care import Care
from monitor.alerting.catalogue import catalogue
from monitor.alerting.clerk import Clerk, Office
from monitor.alerting.people import Book, Manner, Recipient, Rule
from monitor.alerting.texts import signature
from monitor.alerting.timers import Fleet
from monitor.alerting.voice import Voice
from monitor.diagnosis.report import Report, Verdict
from monitor.estimation.samples import FloatArray
from monitor.readings import Point
from monitor.service.ports import Alert, AlertKind, Clock
from monitor.service.settings import PersonTable, RuleTable, ServiceSettings
from monitor.service.tickets import HOLDS, Ticket, issue
from monitor.site import Site
from monitor.store.sqlite import SqliteStore

LOG: Final = logging.getLogger("cushionwatch.alerting")
_ABOUT_ONE: Final = frozenset({AlertKind.RAISED, AlertKind.ESCALATED})


@dataclass(frozen=True, slots=True)
class Dispatch:
    """Who is told, and in which words; links are made where ``base`` (the page's address) and ``secret`` are known."""

    book: Book
    voices: Mapping[str, Voice] = field(default_factory=dict)
    base: str | None = None
    secret: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Known:
    """What the service knows when an alert is worded or sent."""

    sites: Mapping[str, Site]
    report_of: Callable[[Site], Report]
    fleet: Callable[[], Fleet | None]


def dispatch_of(settings: ServiceSettings, secret: bytes | None = None) -> Dispatch:
    """Return who is told by the settings, their secrets and texts read.

    Raises
    ------
    SettingsError
        If a secret or a catalogue of texts cannot be read, or there is none in a language.
    """
    channels = [
        Recipient(
            name,
            table.secret_url(),
            frozenset(table.severities),
            secret=None if table.secret_file is None else table.secret,
        )
        for name, table in settings.channels.items()
    ]
    people = [_recipient(name, table) for name, table in settings.people.items()]
    texts = {
        language: catalogue(language, settings.alerts.texts)
        for language in {"en", *(one.language for one in people)}
    }
    voices = {
        one.name: Voice(texts[one.language], one.language, one.units, one.timezone)
        for one in (*channels, *people)
    }
    rules = [_rule(table) for table in settings.alerts.rules]
    return Dispatch(Book([*channels, *people], rules), voices, settings.web.address, secret)


def cares(dispatch: Dispatch, known: Known, store: SqliteStore, clock: Clock) -> dict[str, Care]:
    """Return what is done for each recipient beside sending."""
    office = Office(dispatch.book, dispatch.voices, known.sites, known.report_of, known.fleet)
    return {
        one.name: Care(Clerk(one, office, store), _finisher(one, dispatch, known, store, clock))
        for one in dispatch.book.recipients
    }


def fleet_of(reports: Sequence[Report], store: SqliteStore, problems: Sequence[str]) -> Fleet:
    """Return what a heartbeat tells."""
    return Fleet(
        watched=len(reports),
        blind=tuple(report.site for report in reports if report.verdict is Verdict.BLIND),
        faults=sum(store.active_counts().values()),
        broken=len(store.dead_letters()),
        problems=tuple(problems),
    )


def _finisher(
    one: Recipient, dispatch: Dispatch, known: Known, store: SqliteStore, clock: Clock
) -> Callable[[Alert], Alert]:
    voice = dispatch.voices.get(one.name, Voice())

    def finish(alert: Alert) -> Alert:
        signed = replace(alert, sign=signature(alert, voice))
        if alert.kind not in _ABOUT_ONE:
            return signed
        site = known.sites.get(alert.site)
        linked = replace(signed, link=link_to(dispatch, one, alert, site, clock.now()))
        if not one.pictures or site is None:
            return linked
        try:
            return replace(linked, pictures=_pictures(site, voice, known, store))
        except Exception:
            LOG.exception("alert %s goes without its pictures", alert.key)
            return linked

    return finish


def link_to(dispatch: Dispatch, one: Recipient, alert: Alert, site: Site | None, now: float) -> str:
    """Return the line with the link that acknowledges an alert's event; empty where links cannot be made."""
    if dispatch.base is None or dispatch.secret is None or alert.event is None or one.manner is None:
        return ""
    voice = dispatch.voices.get(one.name, Voice())
    until = now + HOLDS
    ticket = issue(dispatch.secret, Ticket(alert.event, one.name, until))
    return voice.say(
        "I take it (until {when}): {link}",
        when=voice.day(until, "UTC" if site is None else voice.zone(site)),
        link=f"{dispatch.base}/acknowledge/{ticket}",
    )


def _pictures(site: Site, voice: Voice, known: Known, store: SqliteStore) -> list[bytes]:
    from monitor.web.evidence import evidence  # noqa: PLC0415 - the drawing loads slowly

    seen = replace(site, unit=voice.unit(site), timezone=voice.zone(site))
    span = store.span(site.id)

    def read(point: Point, start: float, end: float, limit: int) -> tuple[FloatArray, FloatArray]:
        return store.readings_decimated(site.id, point, start, end, limit)

    return evidence(seen, known.report_of(site), None if span is None else span[1], read)


def _recipient(name: str, table: PersonTable) -> Recipient:
    manner = Manner(
        quiet=table.quiet,
        group=table.group,
        most=table.most,
        digest=table.digest,
        digest_at=table.digest_at,
        digest_for=frozenset(table.digest_for),
        heartbeat=table.heartbeat,
    )
    return Recipient(
        name,
        table.secret_url(),
        tags=frozenset(table.tags),
        units=table.units,
        language=table.language,
        timezone=table.timezone,
        pictures=table.pictures,
        manner=manner,
    )


def _rule(table: RuleTable) -> Rule:
    return Rule(
        tell=table.tell,
        then=table.then,
        customers=frozenset(table.customers or ()),
        sites=frozenset(table.sites or ()),
        faults=frozenset(fault.value for fault in table.faults or ()),
        severities=frozenset(table.severities or ()),
    )
