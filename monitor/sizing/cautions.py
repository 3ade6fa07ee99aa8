"""What a person must see before a tank is bought, charged or hung. Codes are stable; texts are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from monitor.sizing.case import Case, TankKind, Use
from monitor.sizing.ceiling import REDUCED, limit_of, limits_growth
from monitor.sizing.methods import smallest
from monitor.sizing.result import Caution, Fill, Tank
from monitor.sizing.smallest import Smallest
from monitor.sizing.tanks import NEAR_RELIEF, Duty
from monitor.sizing.worksheet import Worksheet
from monitor.units import PSI

_TOLERANCE: Final = 2e3  # Pa: a gauge is not read closer
_LITTLE_ROOM: Final = 10.0 * PSI  # between line and limit (common practice, no source)
_RELIEF_MOST: Final = 150.0 * PSI  # ANSI Z21.22: temperature and pressure relief valves of water heaters
_HOT_MOST: Final = 90.0  # °C: such a valve opens at 99 °C (210 °F) at the latest, and thermostats overshoot
_FULL: Final = 0.5  # of a tank's volume (common practice, no source)
_EXACT: Final = 1.0 + 1e-9


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a sizing has come to, as far as cautions hang on it."""

    found: Smallest
    advised: Tank
    present: Tank | None
    duty: Duty
    fill: Fill | None


def cautions(case: Case, outcome: Outcome) -> tuple[Caution, ...]:
    """Return the cautions of a sizing, worst first."""
    return (
        *_line(case, outcome.duty),
        *_ceiling(case, outcome.duty),
        *_charges(case, outcome),
        *_peaks(outcome),
        *_sizes(case, outcome),
        *_valve(case),
    )


def _line(case: Case, duty: Duty) -> Iterator[Caution]:
    if case.use is not Use.DOMESTIC or case.supply is None:
        return
    limit = limit_of(case)
    if limits_growth(case) and case.supply >= limit:
        yield Caution(
            "supply-above-limit", (("supply", case.supply), ("limit", limit), ("reduced", duty.cold))
        )
    elif case.supply > limit:
        yield Caution("supply-above-limit", (("supply", case.supply), ("limit", limit)))
    elif limits_growth(case) and duty.highest - case.supply < _LITTLE_ROOM and duty.highest > REDUCED * limit:
        reduced = REDUCED * limit
        exact = smallest(replace(case, supply=reduced, precharge=None), case.way, Worksheet()).exact
        values = (
            ("supply", case.supply),
            ("highest", duty.highest),
            ("reduced", reduced),
            ("exact_reduced", exact),
        )
        yield Caution("little-room", values)


def _ceiling(case: Case, duty: Duty) -> Iterator[Caution]:
    if case.highest is not None:
        if case.use is Use.DOMESTIC and case.highest > limit_of(case) * _EXACT:
            yield Caution("highest-above-limit", (("highest", case.highest), ("limit", limit_of(case))))
        if case.relief is not None and case.highest > NEAR_RELIEF * case.relief * _EXACT:
            yield Caution("highest-near-relief", (("highest", case.highest), ("relief", case.relief)))
    if duty.relief is None:
        yield Caution("relief-not-given")


def _charges(case: Case, outcome: Outcome) -> Iterator[Caution]:
    advised, present, duty, fill = outcome.advised, outcome.present, outcome.duty, outcome.fill
    given = present is not None and case.present is not None and case.present.precharge is not None
    over = max(advised.precharge, present.precharge if present is not None and given else 0.0)
    if over > duty.cold + _TOLERANCE:
        if case.use is Use.DOMESTIC:
            yield Caution("precharge-above-supply", (("precharge", over), ("supply", duty.cold)))
        elif fill is None:
            yield Caution("charge-above-fill", (("precharge", over), ("fill", duty.cold)))
    head = outcome.found.between.head
    if head is not None and case.tank is TankKind.DIAPHRAGM and advised.precharge < head - _TOLERANCE:
        yield Caution("charge-below-head", (("precharge", advised.precharge), ("head", head)))
    if fill is not None and case.supply is not None and not fill.low <= case.supply <= fill.high:
        yield Caution("fill-outside-range", (("fill", case.supply), ("low", fill.low), ("high", fill.high)))


def _peaks(outcome: Outcome) -> Iterator[Caution]:
    relief, highest = outcome.duty.relief, outcome.duty.highest
    for name, one in (("advised", outcome.advised), ("present", outcome.present)):
        if one is None:
            continue
        if relief is not None and one.peaks.slow > NEAR_RELIEF * relief * _EXACT:
            yield Caution(f"{name}-peak-near-relief", (("peak", one.peaks.slow), ("relief", relief)))
        elif not one.enough:
            yield Caution(f"{name}-peak-above-highest", (("peak", one.peaks.slow), ("highest", highest)))


def _sizes(case: Case, outcome: Outcome) -> Iterator[Caution]:
    exact, advised, duty = outcome.found.exact, outcome.advised, outcome.duty
    if case.fit is not None and case.fit * _EXACT < exact:
        yield Caution("fit-too-small", (("fit", case.fit), ("exact", exact)))
    kept = exact if case.fit is None else case.fit
    if case.present is not None and kept < case.present.volume:
        yield Caution("smaller-than-present", (("exact", kept), ("present", case.present.volume)))
    water = advised.volume * (1.0 - (advised.precharge + duty.outside) / (duty.highest + duty.outside))
    if case.tank is TankKind.DIAPHRAGM and water > _FULL * advised.volume:
        yield Caution("more-than-half-full", (("water", water), ("volume", advised.volume)))


def _valve(case: Case) -> Iterator[Caution]:
    if case.use is not Use.DOMESTIC:
        return
    if case.relief is not None and case.relief > _RELIEF_MOST * 1.001:
        yield Caution("relief-setting-high", (("relief", case.relief), ("most", _RELIEF_MOST)))
    if case.hot > _HOT_MOST:
        yield Caution("hot-at-valve", (("hot", case.hot), ("most", _HOT_MOST)))
