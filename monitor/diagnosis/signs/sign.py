"""What a sign sees and what it answers: the contract between the analyser and each kind of fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from monitor.diagnosis.facts import Facts
from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.sight import Sight
from monitor.estimation.burns import Mark
from monitor.estimation.lag import Lag
from monitor.estimation.rest import Line
from monitor.estimation.windows import Window
from monitor.site import Visit


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What is known when a mark is taken: the belief's facts, the line at rest, and the windows of a burn.

    ``windows`` are those of the burn that the mark is, empty for other marks. ``line`` is None before a few
    hours have been seen. Pressures in ``facts`` and ``line`` are gauge [Pa], in windows absolute [Pa].
    """

    facts: Facts
    line: Line | None
    lag: Lag
    sight: Sight
    windows: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class Opinion:
    """How probable a fault is now. From `rules.CERTAIN` on it is raised, below `rules.CLEARED` it may end.

    ``seen``: a sentence or two for people: what was seen, since when, in the site's units, what speaks against
    it and what remote data cannot tell; the probability in words is added. ``evidence``: numbers in kPa gauge,
    seconds, litres. Hysteresis is the sign's own: it answers only when it has seen enough. ``charge``: the air
    charge [gauge Pa] that it has read from the line, as a gauge would, with its standard uncertainty.
    """

    fault: Fault
    probability: float
    began: float
    severity: Severity
    seen: str
    evidence: Mapping[str, float | str | None] = field(default_factory=dict)
    charge: tuple[float, float] | None = None


class Sign(Protocol):
    """Looks for one fault (or two that are told apart by the same evidence) in the marks of one site.

    State is bounded: a few kilobytes. Same marks, same answers: no clock, no I/O, no randomness.
    """

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; return opinions that have changed, none where nothing new was learned."""
        ...

    def visit(self, visit: Visit) -> None:
        """Take note of a service visit: what was counted of the tank before it no longer holds."""
        ...
