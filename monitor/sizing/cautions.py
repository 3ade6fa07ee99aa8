"""What a person must see before a tank is bought, charged or hung. Codes are stable; texts are elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.sizing.case import Case, TankKind, Use
from monitor.sizing.ceiling import limit_of
from monitor.sizing.result import Caution, Fill, Tank
from monitor.sizing.tanks import NEAR_RELIEF, Duty
from monitor.units import PSI

_TOLERANCE: Final = 2e3  # Pa: a gauge is not read closer
_RELIEF_MOST: Final = 150.0 * PSI  # ANSI Z21.22: temperature and pressure relief valves of water heaters
_HOT_MOST: Final = 99.0  # °C: such a valve opens at 210 °F at the latest
_FULL: Final = 0.5  # of a tank's volume (common practice, no source)


def cautions(
    case: Case, advised: Tank, present: Tank | None, exact: float, duty: Duty, fill: Fill | None
) -> tuple[Caution, ...]:
    """Return the cautions of a sizing, worst first."""
    found = [
        *_line(case, duty),
        *_charges(case, advised, present, duty, fill),
        *_peaks(advised, present, duty),
        *_sizes(case, advised, exact, duty),
        *_valve(case),
    ]
    return tuple(found)


def _line(case: Case, duty: Duty) -> Iterator[Caution]:
    if case.use is Use.DOMESTIC and duty.cold > limit_of(case):
        yield Caution("supply-above-limit", (("supply", duty.cold), ("limit", limit_of(case))))


def _charges(
    case: Case, advised: Tank, present: Tank | None, duty: Duty, fill: Fill | None
) -> Iterator[Caution]:
    charges = [advised.precharge]
    if present is not None and case.present is not None and case.present.precharge is not None:
        charges.append(present.precharge)
    over = max(charges)
    if over > duty.cold + _TOLERANCE:
        yield Caution("precharge-above-supply", (("precharge", over), ("supply", duty.cold)))
    if fill is not None and case.supply is not None and not fill.low <= case.supply <= fill.high:
        yield Caution("fill-outside-range", (("fill", case.supply), ("low", fill.low), ("high", fill.high)))


def _peaks(advised: Tank, present: Tank | None, duty: Duty) -> Iterator[Caution]:
    for name, one in (("advised", advised), ("present", present)):
        if one is None:
            continue
        if duty.relief is not None and one.peaks.slow > NEAR_RELIEF * duty.relief * (1.0 + 1e-9):
            yield Caution(f"{name}-peak-near-relief", (("peak", one.peaks.slow), ("relief", duty.relief)))
        elif not one.enough:
            yield Caution(f"{name}-peak-above-highest", (("peak", one.peaks.slow), ("highest", duty.highest)))


def _sizes(case: Case, advised: Tank, exact: float, duty: Duty) -> Iterator[Caution]:
    if case.present is not None and exact < case.present.volume:
        yield Caution("smaller-than-present", (("exact", exact), ("present", case.present.volume)))
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
