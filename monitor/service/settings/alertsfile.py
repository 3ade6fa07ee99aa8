"""``[alerts]`` and ``[people]``: who is told of what, when, and in which words."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Mapping
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, SecretStr, model_validator

from monitor.diagnosis.faults import Fault, Severity
from monitor.service.settings.files import ExistingFolder, SecretFile, read_secret
from monitor.service.settings.problems import Table, closest, refuse
from monitor.service.settings.quantities import SiteId, not_empty, quantity

_TIME: Final = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
_SPAN: Final = re.compile(r"(\S+?) *- *(\S+)")


def _minute(text: str) -> int:
    found = _TIME.fullmatch(text)
    if found is None:
        raise refuse("allowed: a time of day like '08:00', from 00:00 to 23:59")
    return int(found[1]) * 60 + int(found[2])


def _time_of_day(value: object) -> int:
    return _minute(value if isinstance(value, str) else "")


def _span_of_day(value: object) -> tuple[int, int]:
    found = _SPAN.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None:
        raise refuse(
            "allowed: two times of day like '22:00 - 07:00'; the first belongs to it, the last does not"
        )
    first, last = _minute(found[1]), _minute(found[2])
    if first == last:
        raise refuse("allowed: two different times of day; leave the key out for no quiet hours")
    return first, last


TimeOfDay = Annotated[int, BeforeValidator(_time_of_day)]
"""Minutes since midnight on the wall clock."""
SpanOfDay = Annotated[tuple[int, int], BeforeValidator(_span_of_day)]


def _own_zone(text: str) -> str:
    if text != "site" and text not in zoneinfo.available_timezones():
        raise refuse("allowed: 'site', or a name of the IANA time zone database, like 'Europe/London'")
    return text


OwnZone = Annotated[str, AfterValidator(_own_zone)]
Window = Annotated[float, BeforeValidator(quantity("duration", "0 s", "30 min"))]
Names = Annotated[tuple[str, ...], AfterValidator(not_empty)]
Flag = Annotated[bool, Field(strict=True)]

WEBHOOK: Final = "webhook+"
"""Beginning of the address of a program that is told in JSON."""

_DEFAULT_WINDOW: Final = 120.0
_DEFAULT_DIGEST_AT: Final = 8 * 60


class Address(Table):
    """A notification URL, kept in a file if possible."""

    url: SecretStr | None = None
    url_file: SecretFile | None = None

    @model_validator(mode="after")
    def _one_url(self) -> Self:
        if (self.url is None) is (self.url_file is None):
            raise refuse("write either url_file (better: it can be kept from other users) or url")
        if "://" not in self.secret_url():
            at = "url" if self.url_file is None else "url_file"
            raise refuse(
                "no notification URL in it: one like 'mailto://...' or 'json://...' is needed", at=(at,)
            )
        return self

    def secret_url(self) -> str:
        """Return the URL; it may hold a token: never log or show it."""
        return (
            self.url.get_secret_value() if self.url else read_secret(self.url_file) if self.url_file else ""
        )


class ChannelTable(Address):
    """``[alerts.channels.NAME]``: one way out for every alert by its severity, at once and each alone."""

    severities: Annotated[tuple[Severity, ...], AfterValidator(not_empty)] = tuple(Severity)
    secret_file: SecretFile | None = None

    @model_validator(mode="after")
    def _programs_check_who_speaks(self) -> Self:
        webhook = self.secret_url().startswith(WEBHOOK)
        if webhook and self.secret_file is None:
            raise refuse(f"a {WEBHOOK} address needs secret_file: what is sent there is signed with it")
        if self.secret_file is not None and not webhook:
            raise refuse(f"only for an address that begins with {WEBHOOK}", at=("secret_file",))
        return self

    def secret(self) -> str:
        """Return what messages are signed with, read anew each time; never log or show it."""
        return "" if self.secret_file is None else read_secret(self.secret_file)


class PersonTable(Address):
    """``[people.NAME]``: a person, and how that person wants to be told.

    ``group``: how long the first of several alike waits for the others [s]; ``most``: messages in ten minutes.
    """

    tags: tuple[SiteId, ...] = ()
    units: Literal["site", "metric", "US"] = "site"
    language: Annotated[str, Field(pattern=r"^[a-z]{2,3}$")] = "en"
    timezone: OwnZone = "site"
    quiet: SpanOfDay | None = None
    group: Window = _DEFAULT_WINDOW
    most: Annotated[int, Field(strict=True, ge=1, le=100)] = 10
    digest: Literal["daily", "weekly", "off"] = "daily"
    digest_at: TimeOfDay = _DEFAULT_DIGEST_AT
    digest_for: tuple[Severity, ...] = (Severity.LOW,)
    heartbeat: TimeOfDay | None = None
    pictures: Flag = True

    @model_validator(mode="after")
    def _urgent_is_told_at_once(self) -> Self:
        if Severity.HIGH in self.digest_for:
            raise refuse("high priority is told at once, never in a digest", at=("digest_for",))
        return self


class RuleTable(Table):
    """``[[alerts.rules]]``: whom to tell of which events, and who is next when nobody acknowledges in time."""

    customers: Names | None = None
    sites: Annotated[tuple[SiteId, ...], AfterValidator(not_empty)] | None = None
    faults: Annotated[tuple[Fault, ...], AfterValidator(not_empty)] | None = None
    severities: Annotated[tuple[Severity, ...], AfterValidator(not_empty)] | None = None
    tell: Names
    then: tuple[str, ...] = ()


class AlertsTable(Table):
    """``[alerts]``. ``texts``: a folder with catalogues of texts (``de.po``) that go before those that come with it."""

    channels: Mapping[SiteId, ChannelTable] = Field(default_factory=dict)
    rules: tuple[RuleTable, ...] = ()
    texts: ExistingFolder | None = None


def check_names(
    alerts: AlertsTable, people: Mapping[str, PersonTable], sites: Mapping[str, str]
) -> list[tuple[tuple[str | int, ...], str, str]]:
    """Return what does not fit together: the key, what was read, what is allowed. ``sites``: customer by id."""
    tags = {f"#{tag}" for person in people.values() for tag in person.tags}
    known = {*people, *tags}
    wrong: list[tuple[tuple[str | int, ...], str, str]] = []
    customers = {customer for customer in sites.values() if customer}
    for place, rule in enumerate(alerts.rules):
        here = ("alerts", "rules", place)
        for key, names, allowed, what in (
            ("tell", rule.tell, known, "person or #tag"),
            ("then", rule.then, known, "person or #tag"),
            ("sites", rule.sites or (), set(sites), "site"),
            ("customers", rule.customers or (), customers, "customer of a site file"),
        ):
            wrong += [
                ((*here, key), repr(name), _no_such(name, allowed, what))
                for name in names
                if name not in allowed
            ]
    wrong += [
        (("people", name), repr(name), "a channel has this name already: each needs a name of its own")
        for name in people
        if name in alerts.channels
    ]
    if alerts.rules and not wrong:
        named = {name for rule in alerts.rules for name in (*rule.tell, *rule.then)}
        wrong += [
            (
                ("people", name),
                repr(name),
                "no rule names this person, and no heartbeat is sent: add one of both",
            )
            for name, person in people.items()
            if person.heartbeat is None and not named & {name, *(f"#{tag}" for tag in person.tags)}
        ]
    return wrong


def _no_such(name: str, known: set[str], what: str) -> str:
    return f"there is no such {what}; known: {', '.join(sorted(known)) or 'none'}{closest(name, known)}"


def _base_url(text: str) -> str:
    if not re.fullmatch(r"https?://[A-Za-z0-9._\[\]:%-]{1,253}(/[A-Za-z0-9._~/-]*)?", text):
        raise refuse(
            "allowed: the address at which people reach the page, like 'https://water.example.org', without '?' or '#'"
        )
    return text.rstrip("/")


People = Mapping[SiteId, PersonTable]
BaseUrl = Annotated[str, AfterValidator(_base_url)]
"""Where people reach the page, without a slash at its end."""
