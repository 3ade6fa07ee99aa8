"""Which channel gets which alert."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from monitor.alerting.texts import ended_alert, raised_alert
from monitor.diagnosis.faults import Finding, Severity
from monitor.diagnosis.report import Report
from monitor.service.ports import Alert, Clock
from monitor.site import Site


class ChannelRule(Protocol):
    """A channel's name, the address behind it and the severities that it takes."""

    @property
    def name(self) -> str:
        """Name that may be shown."""

    @property
    def url(self) -> str:
        """Address with its secrets; never shown."""

    @property
    def severities(self) -> frozenset[Severity]:
        """Severities that this channel takes; empty: all."""


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """A `ChannelRule` as plain data; the address stays out of its repr because it holds secrets."""

    name: str
    url: str = field(repr=False)
    severities: frozenset[Severity] = frozenset()


def route(alert: Alert, rules: Iterable[ChannelRule]) -> dict[str, Alert]:
    """Return what is owed: the alert, by the name of each channel that takes its severity."""
    return {
        rule.name: alert
        for rule in rules
        if not rule.severities or alert.severity in {severity.value for severity in rule.severities}
    }


def composer(
    rules: Sequence[ChannelRule], report_of: Callable[[Site], Report], clock: Clock
) -> Callable[[Site, Finding], Mapping[str, Alert]]:
    """Return the function that turns a finding, raised or ended, into one alert per channel."""

    def compose(site: Site, finding: Finding) -> Mapping[str, Alert]:
        build = raised_alert if finding.ended is None else ended_alert
        return route(build(finding, site, report_of(site), clock.now()), rules)

    return compose
