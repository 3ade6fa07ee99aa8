"""Messages that are not about one event: a group, a digest, an escalation, and that the service is alive. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from monitor.alerting.people import Recipient
from monitor.alerting.texts import headline, raised_alert
from monitor.alerting.timers import Escalation, Fleet
from monitor.alerting.voice import DAY, Voice
from monitor.alerting.wording import clean, plain, stamp
from monitor.diagnosis.faults import Severity
from monitor.diagnosis.rationale import rationale
from monitor.diagnosis.report import Report
from monitor.diagnosis.timings import respond_within
from monitor.service.ports import Alert, AlertKind, Waiting
from monitor.site import Site

LISTED: Final = 50
"""Lines of a list; the page shows the rest."""

_ORDER: Final = {Severity.HIGH.value: 0, Severity.MEDIUM.value: 1, Severity.LOW.value: 2}


def bulk(
    kind: AlertKind, parts: Sequence[Waiting], now: float, voice: Voice, sites: Mapping[str, Site]
) -> Alert:
    """Return the one message in the place of several. ``now``: epoch s."""
    faults = {part.fault for part in parts}
    kinds = {part.delivery.alert.kind for part in parts}
    if kind is AlertKind.DIGEST:
        return _digest(parts, now, voice, sites)
    if len(faults) == 1 and len(kinds) == 1:
        return _alike(parts, now, voice, sites)
    return _many(parts, now, voice, sites)


def _alike(parts: Sequence[Waiting], now: float, voice: Voice, sites: Mapping[str, Site]) -> Alert:
    """Return the message that the same has happened at several sites."""
    about, say = rationale(parts[0].fault), voice.say
    names = _names(parts)
    kind = parts[0].delivery.alert.kind
    ended = kind is AlertKind.ENDED
    many, small = len(names), voice.text(about.headline)
    same = say("The same at {count} sites within a short time: {headline}.", count=many, headline=small)
    over = say("Back to normal at {count} sites: {headline}.", count=many, headline=small)
    lines = [
        over if ended else same,
        *([say("Nobody has acknowledged these.")] if kind is AlertKind.ESCALATED else ()),
        *((say("Look first at what they share: broker, provider, power, street."),) if not ended else ()),
        "",
        *(_consequence(about.consequence, about.respond, about.action, voice) if not ended else ()),
        *(say("Caution: {text}", text=voice.text(text)) for text in about.cautions if not ended),
        "",
        *_lines(parts, voice, sites),
    ]
    state = "OVER" if ended else _worst(parts).upper()
    title = f"[{voice.text(state)}] {say('{count} sites', count=len(names))}: {headline(about, voice)}"
    return _message(AlertKind.GROUP, parts, now, title, lines, key=parts[0].fault)


def _many(parts: Sequence[Waiting], now: float, voice: Voice, sites: Mapping[str, Site]) -> Alert:
    """Return the message that there are more messages than anybody can read."""
    say = voice.say
    count, places = len(parts), len(_names(parts))
    lines = [
        say(
            "More messages than can be read one by one: {count} from {sites} sites, the most urgent first.",
            count=count,
            sites=places,
        ),
        say("Each is on the page with all that is known of it."),
        "",
        *_lines(parts, voice, sites),
    ]
    what = say("{count} messages from {sites} sites", count=count, sites=places)
    title = f"[{voice.text(_worst(parts).upper())}] {what}"
    return _message(AlertKind.GROUP, parts, now, title, lines, key="many")


def _digest(parts: Sequence[Waiting], now: float, voice: Voice, sites: Mapping[str, Site]) -> Alert:
    """Return the message with all that could wait for it; what came and went is one line."""
    begun = {part.delivery.alert.event for part in parts if part.delivery.alert.kind is not AlertKind.ENDED}
    shown = [
        part
        for part in parts
        if part.delivery.alert.kind is not AlertKind.ENDED or part.delivery.alert.event not in begun
    ]
    count = len(shown)
    lines = [voice.say("What could wait: {count} events.", count=count), "", *_lines(shown, voice, sites)]
    title = f"[{voice.text('DIGEST')}] {voice.say('{count} events', count=count)}"
    alert = _message(AlertKind.DIGEST, parts, now, title, lines, key="digest")
    return replace(alert, urgent=False)


def escalated(one: Escalation, told: Iterable[str], report: Report, now: float, voice: Voice) -> Alert:
    """Return the alert for whom is next, because nobody has acknowledged an event."""
    finding = one.unanswered.event.finding
    alert = raised_alert(finding, one.site, report, now, voice)
    first = voice.say(
        "Nobody has acknowledged this within {length}. Told before you: {names}.",
        length=voice.length(one.step * respond_within(finding)),
        names=", ".join(told) or voice.say("nobody"),
    )
    title = alert.title[:100]
    return replace(
        alert,
        key=f"{alert.key}/escalated-{one.step}",
        title=f"[{voice.text('UNANSWERED')}] {title}",
        body=f"{first}\n\n{alert.body}",
        event=one.unanswered.event.number,
        kind=AlertKind.ESCALATED,
    )


def heartbeat(who: Recipient, slot: float, fleet: Fleet, now: float, voice: Voice, zone: str) -> Alert:
    """Return the word that the service is alive, and what its absence means."""
    say = voice.say
    blind = len(fleet.blind)
    more = say(" and {count} more", count=blind - LISTED) if blind > LISTED else ""
    blind_line = say(
        "Blind, so that a lost air cushion would not be seen: {sites}.",
        sites=", ".join(fleet.blind[:LISTED]) + more,
    )
    lost = say("Alerts that did not reach anybody: {count}. Look at their channels.", count=fleet.broken)
    lines = [
        say(
            "cushionwatch is alive: {watched} sites watched, {blind} blind.",
            watched=fleet.watched,
            blind=blind,
        ),
        say("Faults that stand: {count}.", count=fleet.faults),
        *([blind_line] if blind else ()),
        *([lost] if fleet.broken else ()),
        *(say("The service says: {problem}", problem=clean(problem)) for problem in fleet.problems),
        "",
        say(
            "The next word comes about {when}. If it does not come, nothing is watched: look after the service.",
            when=voice.moment(slot + DAY, zone),
        ),
    ]
    title = say("[ALIVE] {watched} sites watched, {blind} blind", watched=fleet.watched, blind=blind)
    key = f"heartbeat/{who.name}/{stamp(slot)}"
    return Alert(key, "", title, "\n".join(lines), "low", now, None, AlertKind.HEARTBEAT)


def _consequence(consequence: str, respond: str, action: str, voice: Voice) -> Iterable[str]:
    yield voice.say("If nothing is done: {consequence}", consequence=voice.text(consequence))
    yield voice.say("Respond: {when}.", when=voice.text(respond))
    yield voice.say("Do first: {action}", action=voice.text(action))


def _lines(parts: Sequence[Waiting], voice: Voice, sites: Mapping[str, Site]) -> Iterable[str]:
    """Yield a line for each event: the most urgent first, each with its number, site and address."""
    ordered = sorted(parts, key=lambda part: (_ORDER.get(part.delivery.alert.severity, 3), part.delivery.id))
    for part in ordered[:LISTED]:
        alert = part.delivery.alert
        site = sites.get(alert.site)
        zone = "UTC" if site is None else voice.zone(site)
        over = "" if part.standing or alert.kind is AlertKind.ENDED else voice.say(" (over by now)")
        where = f", {clean(site.address)}" if site is not None and site.address else ""
        number = voice.say("event {number}", number=alert.event)
        yield f"- {alert.title}{over}: {alert.site}{where}; {number}, {voice.moment(alert.created, zone)}"
    if len(ordered) > LISTED:
        yield voice.say("and {count} more; the page lists all.", count=len(ordered) - LISTED)


def _message(
    kind: AlertKind, parts: Sequence[Waiting], now: float, title: str, lines: Iterable[str], key: str
) -> Alert:
    return Alert(
        # The first part is in no other message, so the key is used once, also after a crash.
        key=f"{key}/{parts[0].delivery.alert.key}/{len(parts)}",
        site="",
        title=plain(title, title),
        body="\n".join(lines),
        severity=_worst(parts),
        created=now,
        kind=kind,
        urgent=any(part.delivery.alert.urgent for part in parts),
    )


def _worst(parts: Sequence[Waiting]) -> str:
    return min((part.delivery.alert.severity for part in parts), key=lambda one: _ORDER.get(one, 3))


def _names(parts: Sequence[Waiting]) -> list[str]:
    return list(dict.fromkeys(part.delivery.alert.site for part in parts))
