"""The alert that people get about a finding: what, since when, how sure, what follows, what to do first.

Pure functions. All text that comes from settings or devices is put in as it is, never as a pattern.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.alerting.facts import site_facts
from monitor.alerting.people import is_urgent
from monitor.alerting.replacement import replacement
from monitor.alerting.seen import SEEN, UNSEEN
from monitor.alerting.voice import Voice
from monitor.alerting.wording import clean, plain, stamp
from monitor.diagnosis.faults import Fault, Finding
from monitor.diagnosis.rationale import Rationale, rationale_of
from monitor.diagnosis.report import Report
from monitor.service.ports import Alert, AlertKind
from monitor.site import Site
from monitor.units import KPA

TITLE_LENGTH: Final = 120
DAYS: Final = 2 * 86_400.0
"""Age from which the beginning of a fault is told to the day. [s]"""

SUPPLIES_AGREE: Final = 0.1
"""Share by which the measured and the noted supply pressure may differ before both are shown."""

ENGLISH: Final = Voice()
"""The language of the program, in the unit and the time zone of the site."""

DISCHARGES: Final = ", relief valve discharges"
_NEEDS_A_TANK: Final = frozenset({Fault.AIR_CUSHION_LOST, Fault.TANK_UNDERSIZED})
_UMLAUTS: Final = (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("Ä", "Ae"), ("Ö", "Oe"), ("Ü", "Ue"), ("ß", "ss"))


def raised_alert(
    finding: Finding, site: Site, report: Report, created: float, voice: Voice = ENGLISH
) -> Alert:
    """Return the alert that a fault has been found. ``created``: epoch seconds UTC.

    The store adds the number of the event; `signed` puts it into the text.
    """
    about, zone, say = rationale_of(finding), voice.zone(site), voice.say
    cautions = list(_cautions(finding, about, voice))
    lines = [
        *(f"{text}\n" for text in cautions[: int(about.urgent)]),
        *_seen(finding, site, voice),
        say(
            "Since: {begun}; raised {raised}.",
            begun=_beginning(finding, zone, voice),
            raised=voice.moment(finding.raised, zone),
        ),
        say("How sure: {sureness}.", sureness=voice.sure(finding.confidence)),
        say("If nothing is done: {consequence}", consequence=voice.text(about.consequence)),
        *(_forecast(finding, site, report, voice) if about.forecast else ()),
        "",
        say("Respond: {when}.", when=voice.text(about.respond)),
        say("Do first: {action}", action=_action(finding, about, site, voice)),
        *(_pump_setting(site, report, voice) if about.refill else ()),
        *(_replacement(site, voice) if finding.fault in _NEEDS_A_TANK else ()),
        "",
        *(say("Caution: {text}", text=text) for text in cautions[int(about.urgent) :]),
        "",
        *site_facts(site, report, voice),
    ]
    return _alert(finding, site, "\n".join(lines), created, voice, ended=False)


def ended_alert(
    finding: Finding, site: Site, report: Report, created: float, voice: Voice = ENGLISH
) -> Alert:
    """Return the alert that a fault has returned to normal. ``created``: epoch seconds UTC."""
    about, zone, say = rationale_of(finding), voice.zone(site), voice.say
    ended = report.end if finding.ended is None else finding.ended
    raised = voice.moment(finding.raised, zone)
    lines = [
        say("Back to normal."),
        "",
        *_seen(finding, site, voice, past=True),
        say("Raised {raised}.", raised=raised) if ended is None
        else say("Raised {raised}, over {ended}.", raised=raised, ended=voice.moment(ended, zone)),
        say("What remains: {text}", text=voice.text(about.over)),
        "",
        *site_facts(site, report, voice),
    ]  # fmt: skip
    return _alert(finding, site, "\n".join(lines), created, voice, ended=True)


def signed(alert: Alert) -> str:
    """Return the body with the link, and what tells a repeat: the number of the event and the key."""
    link = f"\n\n{alert.link}" if alert.link else ""
    return f"{alert.body}{link}\n\n{alert.sign or signature(alert)}"


def signature(alert: Alert, voice: Voice = ENGLISH) -> str:
    """Return what tells a repeat."""
    if alert.event is None:
        return voice.say("reference {key}. The same reference twice is the same alert.", key=alert.key)
    return voice.say(
        "Event {number}, reference {key}. The same reference twice is the same alert.",
        number=alert.event,
        key=alert.key,
    )


def _news(finding: Finding) -> str:
    """Return what has become known of the finding after it was raised, as the end of its key; empty if nothing."""
    since = finding.evidence.get("relief_discharging_since")
    if isinstance(since, int | float) and since > finding.raised:
        return "/relief"
    return "/near-relief" if "near_relief_since" in finding.evidence else ""


def _alert(finding: Finding, site: Site, body: str, created: float, voice: Voice, *, ended: bool) -> Alert:
    about = rationale_of(finding)
    name = plain(site.name, site.id)
    state = "OVER" if ended else "URGENT" if about.urgent else finding.severity.value.upper()
    key = f"{site.id}/{finding.fault.value}/{stamp(finding.raised)}"
    title = headline(about, voice)
    return Alert(
        key=f"{key}/ended" if ended else f"{key}{_news(finding)}",
        site=site.id,
        # Cut the name, not the fault: the fault is what a small screen must show.
        title=f"[{voice.text(state)}] {name[: TITLE_LENGTH - len(title) - 15]}: {title}",
        body=body,
        severity=finding.severity.value,
        created=created,
        kind=AlertKind.ENDED if ended else AlertKind.RAISED,
        urgent=is_urgent(finding) and not ended,
    )


def headline(about: Rationale, voice: Voice) -> str:
    """Return the headline of a fault in ASCII, as titles need it."""
    base, mark, _ = about.headline.partition(DISCHARGES)
    text = voice.text(base) + (voice.say(", relief valve discharges") if mark else "")
    for sign, plain_sign in _UMLAUTS:
        text = text.replace(sign, plain_sign)
    return plain(text, base)


def _seen(finding: Finding, site: Site, voice: Voice, *, past: bool = False) -> Iterable[str]:
    """Yield what the diagnosis saw: in its own words, before them in the recipient's where those are others."""
    why = clean(voice.converted(finding.why, site))
    if voice.foreign:
        text = voice.text(SEEN.get(finding.fault.value, UNSEEN))
        yield (
            voice.say("What was seen: {why}", why=text)
            if past
            else voice.say("What is seen: {why}", why=text)
        )
        if why:
            yield voice.say("The diagnosis in its own words: {why}", why=why)
        return
    why = why or voice.say("see the page of the site.")
    yield voice.say("What was seen: {why}", why=why) if past else voice.say("What is seen: {why}", why=why)


def _action(finding: Finding, about: Rationale, site: Site, voice: Voice) -> str:
    own = "" if voice.foreign else clean(voice.converted(finding.action, site))
    return own or voice.text(about.action)


def _beginning(finding: Finding, zone: str, voice: Voice) -> str:
    """Return when it began, to the day where it is an estimate over days, as the minute would be made up."""
    long_ago = finding.raised - finding.began > DAYS
    when = (voice.day if long_ago else voice.moment)(finding.began, zone)
    return voice.say("about {when}", when=when)


def _forecast(finding: Finding, site: Site, report: Report, voice: Voice) -> Iterable[str]:
    """Yield when the air charge reaches its limit, where that is still ahead."""
    ahead = report.forecast
    if ahead is None or ahead.limit_date <= finding.raised:
        return
    zone = voice.zone(site)
    yield voice.say(
        "Forecast: the air charge falls below {limit} about {date} (90 % sure: from {first} to {last}).",
        limit=voice.pressure(ahead.limit_kpa, site),
        date=voice.day(ahead.limit_date, zone),
        first=voice.day(ahead.low, zone),
        last=voice.say("later, or never") if ahead.high is None else voice.day(ahead.high, zone),
    )


def _pump_setting(site: Site, report: Report, voice: Voice) -> Iterable[str]:
    """Yield the pressure to which the tank is pumped: the supply pressure as noted, else as measured."""
    noted = None if site.supply is None else site.supply / KPA
    seen = report.supply_kpa
    setting = seen if noted is None else noted
    if setting is None:
        yield voice.say(
            "Pump setting: the supply pressure at the tank, not known here: gauge it on site; set it with the water "
            "side relieved."
        )
        return
    yield voice.say(
        "Pump setting: {setting}, the supply pressure; gauge that first; set it with the water side relieved.",
        setting=voice.pressure(setting, site),
    )
    if noted is not None and seen is not None and abs(seen - noted) > SUPPLIES_AGREE * noted:
        yield voice.say(
            "The site file notes this supply pressure, the sensor sees {seen} at rest: the gauge on site decides.",
            seen=voice.pressure(seen, site),
        )


def _replacement(site: Site, voice: Voice) -> Iterable[str]:
    """Yield which tank to bring, where the facts of the site suffice to size one."""
    tank = replacement(site)
    if tank is not None:
        yield voice.say(
            "If the tank has to be replaced: {volume} or larger, pumped to {charge} before it is fitted; check the "
            "size on site, by the plates.",
            volume=voice.both(tank.volume, site, "volume", "L", "gal"),
            charge=voice.pressure(tank.precharge / KPA, site),
        )


def _cautions(finding: Finding, about: Rationale, voice: Voice) -> Iterable[str]:
    """Yield what this fault warns of, then what holds for any work: in the finding's words if it has some.

    So what an urgent fault says first is never left out, whatever the finding says.
    """
    yield from map(voice.text, about.cautions)
    own = "" if voice.foreign else clean(finding.caution)
    yield from [own] if own else map(voice.text, about.general)
