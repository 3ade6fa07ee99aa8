"""The tank to fit, in words: volume, air charge, peak, what to watch, what hangs on the bracket."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from monitor.sizing.case import TankKind, Use
from monitor.sizing.pressures import cold_of
from monitor.sizing.result import Sizing
from monitor.units import from_si
from monitor.web.sizing.cautions import peak
from monitor.web.sizing.shown import Shown, figure, trimmed

Row = tuple[str, str]

_NARROW: Final = 10e3  # Pa: a loop is not filled closer than 0.1 bar


def to_fit(found: Sizing, shown: Shown) -> Iterator[Row]:
    """Yield the rows about the tank to fit."""
    yield "Tank", _volume(found, shown)
    if found.case.tank is TankKind.DIAPHRAGM:
        yield "Air charge", _charge(found, shown)
    yield _cold(found, shown)
    yield "Growth", _growth(found, shown)
    yield "Tank takes", _takes(found, shown)
    yield "Worst peak", _peak(found, shown)
    if found.case.tank is TankKind.DIAPHRAGM and found.advised.enough:
        yield "Watch for", _floor(found, shown)
    yield "Bracket", _weight(found, shown)


def advised(found: Sizing, shown: Shown) -> str:
    """Return the volume to buy, in the unit of its series and in the reader's."""
    volume = found.advised.volume
    text = shown.volume(volume, nominal=True)
    series = "gal" if found.case.code == Shown("psi").code else "L"
    if series == shown.volumes:
        return text
    return f"{trimmed(figure(from_si(volume, series, 'volume'), 4))} {series} ({text})"


def _volume(found: Sizing, shown: Shown) -> str:
    case, exact = found.case, shown.volume(found.exact, up=True)
    kind = "Without diaphragm" if case.tank is TankKind.PLAIN else "With a diaphragm or bladder"
    if case.use is Use.DOMESTIC:
        kind += ", approved for drinking water"
    if case.present is not None and case.present.volume >= found.advised.volume:
        kept = shown.plate(case.present.volume)
        return f"no smaller than the {kept} that are there; by calculation at least {exact}. {kind}."
    return (
        f"at least {exact}: take the next larger that is sold. The figures below are for the next preferred "
        f"number (ISO 3, R 10), {advised(found, shown)}. {kind}."
    )


def _charge(found: Sizing, shown: Shown) -> str:
    return (
        f"pump to {shown.pressure(found.advised.precharge)} before the tank is connected, or with its water side "
        "relieved. A new tank comes with a charge of its own: gauge it, never count on it."
    )


def _cold(found: Sizing, shown: Shown) -> Row:
    if found.case.use is Use.DOMESTIC:
        return "Line", f"{shown.pressure(found.supply)} at the tank, cold and at rest."
    if found.fill is None:
        return "Fill to", f"{shown.pressure(found.supply)} at the tank, cold and vented."
    low, high, best = (shown.pressure(one) for one in (found.fill.low, found.fill.high, found.fill.advised))
    text = f"{best} at the tank, cold and vented"
    if low == high:
        text += ", as closely as a gauge shows it"
    else:
        text += f"; from {low}, below which too little is kept, to {high}, above which a full heat-up goes too high"
    if found.fill.high - found.fill.low < _NARROW:
        text += ". A larger tank leaves more room"
    return "Fill to", f"{text}."


def _growth(found: Sizing, shown: Shown) -> str:
    case = found.case
    text = (
        f"{shown.volume(found.expansion)}, as {shown.volume(case.content, nominal=True)} of "
        f"{case.medium.name} go from {shown.temperature(cold_of(case))} to {shown.temperature(case.hot)}"
    )
    if found.reserve > 0.0:
        text += f"; and {shown.volume(found.reserve)} in reserve against losses"
    return f"{text}."


def _takes(found: Sizing, shown: Shown) -> str:
    return (
        f"{shown.volume(found.advised.acceptance)} from {shown.pressure(found.supply)} to "
        f"{shown.pressure(found.highest)}, the highest pressure allowed at the tank."
    )


def _peak(found: Sizing, shown: Shown) -> str:
    slow, fast = found.advised.peaks.slow, found.advised.peaks.fast
    text = f"{peak(slow, shown)} in a full recovery without a draw"
    if math.isfinite(fast):
        text += f", {shown.pressure(fast)} at most if the air warms as it is pressed"
    if found.case.relief is not None:
        text += f"; the relief valve is set to {shown.pressure(found.case.relief)}"
    return f"{text}."


def _floor(found: Sizing, shown: Shown) -> str:
    """Return down to which charge the tank does its work."""
    floors, relief = found.advised.floors, found.case.relief
    highest = shown.pressure(found.highest)
    if floors.highest <= 0.0:
        text = f"a waterlogged tank only: with any charge on the gauge a full recovery stays under {highest}"
    else:
        text = f"an air charge under {shown.pressure(floors.highest)}: a full recovery then passes {highest}"
    if relief is None or floors.relief is None:
        return f"{text}."
    if floors.relief <= 0.0:
        if floors.highest <= 0.0:
            return f"{text}."
        return f"{text}. The relief setting is reached only when the tank is waterlogged."
    return f"{text}, and under {shown.pressure(floors.relief)} the relief setting, {shown.pressure(relief)}."


def _weight(found: Sizing, shown: Shown) -> str:
    weight = found.weight
    text = f"carries {shown.mass(weight.filled, up=True)} hot and {shown.mass(weight.waterlogged, up=True)} waterlogged"
    if weight.empty is None:
        return f"{text}, without the tank itself: add the empty weight on its plate."
    return f"{text}, with the {shown.mass(weight.empty)} of the empty tank. Support it for the greater."
