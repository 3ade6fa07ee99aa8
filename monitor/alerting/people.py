"""Who gets alerts, and which: people with their wishes, and the rules that choose among them. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.diagnosis.faults import Finding, Severity
from monitor.diagnosis.rationale import rationale_of
from monitor.service.lifecycle_groups import FLOOD_BEGINS
from monitor.site import Site

OWN: Final = "site"
"""In place of a unit or a time zone: that of the site."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How a person is told. ``quiet`` and ``digest_at`` in minutes since midnight, ``group`` in s.

    ``quiet``: from the first up to the second, on the clock of the site. ``group``: how long the first of several
    alike waits for the others; ``most``: messages in ten minutes. ``digest``: "daily", "weekly" or "off", of what
    has a severity in ``digest_for`` and of what was over before quiet hours ended.
    """

    quiet: tuple[int, int] | None = None
    group: float = 120.0
    most: int = FLOOD_BEGINS
    digest: str = "daily"
    digest_at: int = 8 * 60
    digest_for: frozenset[Severity] = frozenset({Severity.LOW})
    heartbeat: int | None = None


@dataclass(frozen=True, slots=True)
class Recipient:
    """A person or a channel; the address stays out of its repr because it holds secrets.

    ``manner`` None: every alert at once and alone, as other programs want it; ``severities`` (empty: all) counts
    for those alone. ``secret``: of a program that gets signed JSON; None for people. ``units``: "site", "metric" or
    "US"; ``timezone``: "site" or an IANA name.
    """

    name: str
    url: str = field(repr=False)
    severities: frozenset[Severity] = frozenset()
    tags: frozenset[str] = frozenset()
    units: str = OWN
    language: str = "en"
    timezone: str = OWN
    pictures: bool = False
    manner: Manner | None = None
    secret: Callable[[], str] | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Rule:
    """Whom to tell of which events; an empty set takes all. ``tell`` and ``then`` are names, or tags as ``#tag``."""

    tell: Sequence[str]
    then: Sequence[str] = ()
    customers: frozenset[str] = frozenset()
    sites: frozenset[str] = frozenset()
    faults: frozenset[str] = frozenset()
    severities: frozenset[Severity] = frozenset()

    def takes(self, site: Site, finding: Finding) -> bool:
        """Tell whether an event is this rule's business."""
        return all(
            not chosen or own in chosen
            for chosen, own in (
                (self.customers, site.customer),
                (self.sites, site.id),
                (self.faults, finding.fault.value),
                (self.severities, finding.severity),
            )
        )


@dataclass(frozen=True, slots=True)
class Book:
    """All who can be told, and the rules. Without a rule every person is told of everything."""

    recipients: Sequence[Recipient]
    rules: Sequence[Rule] = ()

    def people(self) -> list[Recipient]:
        """Return those who are told by rules and in their own manner."""
        return [one for one in self.recipients if one.manner is not None]

    def first(self, site: Site, finding: Finding) -> list[Recipient]:
        """Return who is told of an event at once, in the order of the settings."""
        names = set(self._chosen(name for rule in self._rules(site, finding) for name in rule.tell))
        return [
            one
            for one in self.recipients
            if (
                (one.name in names or not self.rules)
                if one.manner is not None
                else not one.severities or finding.severity in one.severities
            )
        ]

    def chain(self, site: Site, finding: Finding) -> list[list[Recipient]]:
        """Return who is next when nobody acknowledges: one list for each time to respond that has passed."""
        rules = self._rules(site, finding)
        steps = max((len(rule.then) for rule in rules), default=0)
        chain = []
        for step in range(steps):
            names = set(self._chosen(rule.then[step] for rule in rules if step < len(rule.then)))
            chain.append([one for one in self.people() if one.name in names])
        return chain

    def _rules(self, site: Site, finding: Finding) -> list[Rule]:
        return [rule for rule in self.rules if rule.takes(site, finding)]

    def _chosen(self, names: Iterable[str]) -> Iterator[str]:
        for name in names:
            if name.startswith("#"):
                yield from (one.name for one in self.people() if name[1:] in one.tags)
            else:
                yield name


def is_urgent(finding: Finding) -> bool:
    """Tell whether an alert of this finding is held back by nothing: high priority, or a relief valve discharges."""
    return finding.severity is Severity.HIGH or rationale_of(finding).urgent
