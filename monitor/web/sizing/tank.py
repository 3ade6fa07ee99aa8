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
    if _reduced(found):
        yield "First", _valve(found, shown)
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
    if case.fit is not None:
        return f"{shown.plate(case.fit)}, as chosen; by calculation at least {exact}. {kind}.{_filled(found, shown)}"
    if case.present is not None and case.present.volume >= found.advised.volume:
        kept = shown.plate(case.present.volume)
        return (
            f"no smaller than the {kept} that are there; by calculation at least {exact}. {kind}."
            f"{_filled(found, shown)}"
        )
    return (
        f"at least {exact}: take the next larger that is sold. The figures below are for the next preferred "
        f"number (ISO 3, R 10), {advised(found, shown)}: once a tank is chosen, run again with its volume (--fit) for "
        f"the figures that go with it. {kind}.{_filled(found, shown)}"
    )


def _filled(found: Sizing, shown: Shown) -> str:
    """Return that the pressure at the top of a loop decides the volume, where it does."""
    steps = {step.symbol: step.value for step in found.steps}
    if steps.get("Vc", 0.0) <= steps.get("Va", 0.0):
        return ""
    return (
        f" What decides is {shown.pressure(steps['n'])} at the top of the filled loop; growth and reserve alone would "
        f"do with {shown.volume(steps['Va'], up=True)}."
    )


def _reduced(found: Sizing) -> bool:
    """Whether all figures hold behind a reducing valve that is not there yet."""
    return any(one.code == "supply-above-limit" and "reduced" in dict(one.values) for one in found.cautions)


def _valve(found: Sizing, shown: Shown) -> str:
    return (
        f"have a licensed plumber fit a pressure reducing valve set to {shown.pressure(found.supply)}. All that "
        "follows holds behind such a valve only."
    )


def _charge(found: Sizing, shown: Shown) -> str:
    return (
        f"pump to {shown.pressure(found.advised.precharge)} before the tank is connected, or with its water side "
        "relieved. A new tank comes with a charge of its own: gauge it, never count on it."
    )


def _cold(found: Sizing, shown: Shown) -> Row:
    if found.case.use is Use.DOMESTIC:
        behind = "behind the reducing valve, " if _reduced(found) else ""
        return "Line", f"{shown.pressure(found.supply)} at the tank, {behind}cold and at rest."
    if found.fill is None:
        return "Fill to", f"{shown.pressure(found.supply)} at the tank, cold and vented."
    low, high, best = (shown.pressure(one) for one in (found.fill.low, found.fill.high, found.fill.advised))
    if found.fill.low > found.fill.high:
        return "Fill to", (
            f"no pressure suits: this tank keeps enough from {low} on, and above {high} a full heat-up goes too high. "
            "Take a larger tank."
        )
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
    slow, fast, relief = found.advised.peaks.slow, found.advised.peaks.fast, found.case.relief
    text = f"{peak(slow, shown)} in a full recovery without a draw"
    if math.isfinite(fast):
        text += f", {peak(fast, shown)} at most if the air warms as it is pressed"
    if relief is None:
        return f"{text}."
    text += f"; the relief valve is set to {shown.pressure(relief)}"
    if slow >= relief:
        return f"{text} and opens."
    return f"{text} and could open then." if fast >= relief else f"{text}."


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
