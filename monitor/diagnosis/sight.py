"""Whether a lost cushion would be seen: kept apart from whether one is lost.

"Holding" needs fresh positive evidence, clean windows in which pressure rose with heat. Without it a site
is blind, and says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from monitor.diagnosis.report import BlindSpan
from monitor.estimation.response import Response
from monitor.estimation.samples import Samples
from monitor.estimation.windows import Kind, Window

HOUR: Final = 3600.0
EVIDENCE_LASTS: Final = 72 * HOUR
"""Age at which the last clean window no longer counts."""

LEARNING_LASTS: Final = 24 * HOUR
"""Time from the first reading in which missing evidence is no fault yet."""

RAISE_AFTER: Final = 24 * HOUR
"""How long a site must have been blind before a person is told."""

GAP: Final = HOUR
"""Silence that is listed as a blind span."""

NO_READINGS: Final = "no readings arrive"
SILENCE_REMEDY: Final = (
    "Check power and network of the device and its way to the broker; `cushionwatch rejected` lists what came "
    "but could not be read."
)

WINDOWS_NEEDED: Final = 3
"""Clean windows in a week without which nothing is judged."""

_FLAT_NEEDED: Final = 4  # windows that show no rise, one after the other, before the evidence ends early
_AGAIN: Final = 3  # rises that end a blindness of no answer
_UNENDED: Final = 12  # pieces of two hours: no thermostat heats for a day without a pause
_LONG: Final = 2  # pieces of two hours: a small element's recovery from cold
_WHOLE_BURNS: Final = 20
_FLAT_LASTS: Final = 24 * HOUR


@dataclass(slots=True)
class Sight:
    """What a site could see; fed in the order of its data. Times in epoch seconds."""

    start: float | None = None
    last_rise: float | None = None
    heater_known: bool = False
    burns: int = 0  # since the last rise
    unended: int = 0  # pieces of a burn in a row whose end was not seen
    ended: bool = False  # whether the end of any burn has been seen
    flat: list[float] = field(default_factory=list)  # ends of flat windows since the last rise
    rises: list[float] = field(default_factory=list)  # of the last seven days
    whole: list[bool] = field(default_factory=list)  # of the last undisturbed burns: did pressure rise?
    spans: list[BlindSpan] = field(default_factory=list)  # closed ones
    silent: list[BlindSpan] = field(default_factory=list)
    since: float | None = None  # the open span
    why: str = ""
    remedy: str = ""
    again: int = 0  # rises since the span opened
    flat_before: bool = False  # the open span was one of pressure that did not answer
    response: Response = field(default_factory=Response)

    def rows(self, samples: Samples) -> None:
        """Take note of rows."""
        if self.start is None and len(samples):
            self.start = float(samples.time[0])
        if not self.heater_known:
            self.heater_known = bool((samples.heater == samples.heater).any())

    def burn(self, windows: list[Window], at: float, *, ended: bool) -> None:
        """Take note of a burn (or of a piece of one that has not ``ended``) and what it showed."""
        self.burns += 1
        self.unended = 0 if ended else self.unended + 1
        self.ended = self.ended or ended
        self.whole = [*self.whole, *(w.kind is not Kind.FLAT for w in windows if w.undisturbed)][
            -_WHOLE_BURNS:
        ]
        for window in windows:
            if window.kind is Kind.FLAT:
                self.flat.append(window.end)
            elif self.answers:
                self._rise(window.end, at)

    @property
    def answers(self) -> bool:
        """Whether pressure answers to heat: false where it rises no more with heat than without.

        Nor where burns that no draw disturbed mostly show no rise: the odd one is the supply's doing then, and
        no evidence of a cushion.
        """
        if self.unended >= _UNENDED or self.response.denied:
            return False
        silent = self.whole.count(False)
        return silent < _FLAT_NEEDED or 2 * (len(self.whole) - silent) > silent

    @property
    def weighs(self) -> bool:
        """Whether windows may weigh the cushion: not before a burner has been seen to go off, nor while it does not.

        A state that is stuck at on brings heat into the account that no water has got.
        """
        return self.answers and self.ended and self.unended <= _LONG

    def _rise(self, end: float, at: float) -> None:
        self.last_rise = end
        self.burns = 0
        self.flat_before = self.flat_before or len(self.flat) >= _FLAT_NEEDED
        self.flat.clear()
        self.rises = [t for t in self.rises if t > end - 7 * 24 * HOUR] + [end]
        self.again += 1
        # One rise after many without may be the supply's doing; the first of a new site may not.
        needed = _AGAIN if self.flat_before else 1
        if self.since is not None and self.again >= needed:
            self.spans.append(BlindSpan(self.since, at, self.why))
            self.since = None

    def gap(self, start: float, end: float) -> None:
        """Take note of a silence."""
        if end - start >= GAP:
            self.silent.append(BlindSpan(start, end, "no readings arrived"))

    def look(self, now: float) -> None:
        """Open a blind span where the evidence has run out by ``now``."""
        if self.start is None:
            return
        if self.since is None:
            since, patience = self._evidence_until()
            if now < since + patience:
                return
            self.since = since
            self.again, self.flat_before = 0, False
        self.why, self.remedy = self._reason()

    def _evidence_until(self) -> tuple[float, float]:
        """Return when the evidence ends, and how long after that the site is still learning."""
        if self.last_rise is None or not self.answers:
            first = self.start if self.start is not None else 0.0
            return (first if self.last_rise is None else self.last_rise), LEARNING_LASTS
        early = len(self.flat) >= _FLAT_NEEDED
        return self.last_rise + (_FLAT_LASTS if early else EVIDENCE_LASTS), 0.0

    def _reason(self) -> tuple[str, str]:
        """Return why nothing would be seen, and what to do about it."""
        if not self.heater_known:
            return (
                "the heater's state is not reported, so that heating cannot be told from supply and draws",
                "Connect a signal that tells when the heater heats (relay, current, flame) and publish it.",
            )
        if self.burns == 0:
            return (
                "the heater has not been seen on since: without heating nothing tests the cushion",
                "If the heater is in use, check its signal and wiring: it may be stuck at off.",
            )
        if self.unended >= _UNENDED:
            return (
                "the heater has been reported on without a pause for a day: its signal may be stuck at on",
                "Check the heater's signal and its wiring.",
            )
        if len(self.flat) >= _FLAT_NEEDED or not self.answers:
            seen = (
                "it rises no more while the heater heats than while it does not"
                if self.response.denied
                else f"{len(self.flat)} heating windows without a rise"
            )
            return (
                f"pressure does not answer to heat ({seen}): the sensor may sit on the street side of the check "
                "valve, the check valve may let pressure pass, the heater's signal may be another's or its clock "
                "wrong, or the system is not closed; the tank is not tested then",
                "Check on which side of the check valve the sensor sits, the heater's signal and clock, then the "
                "check valve itself; where the system is open to the street on purpose, this tank cannot be watched "
                "by pressure.",
            )
        return (
            f"{self.burns} burns, but none had a stretch without a draw long enough to weigh the cushion",
            "Readings every 10 s or faster give shorter stretches a meaning; a week with a quieter hour, or a "
            "gauge reading entered as a visit, bridges the time.",
        )

    def all_spans(self, now: float) -> list[BlindSpan]:
        """Return closed spans and the open one up to ``now``, by start."""
        spans = [*self.spans, *self.silent]
        if self.since is not None:
            spans.append(BlindSpan(self.since, max(now, self.since), self.why))
        return sorted(spans, key=lambda span: span.start)

    def sees(self, now: float) -> bool:
        """Return whether there is fresh positive evidence: three clean windows in a week, one of them recent.

        And pressure that has been seen to rise with heat more than it does without.
        """
        return (
            self.since is None
            and self.response.proven
            and self.last_rise is not None
            and now - self.last_rise < EVIDENCE_LASTS
            and len([t for t in self.rises if t > now - 7 * 24 * HOUR]) >= WINDOWS_NEEDED
        )
