"""The steps of a sizing as an engineer writes them: symbol, formula, numbers in the reader's units, source."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.sizing.worksheet import Kind, Step
from monitor.units import from_si, to_si
from monitor.web.sizing.arithmetic import put_in, worked_out
from monitor.web.sizing.shown import Shown, figure, trimmed

_CLOSE: Final = 5e-4
"""Share by which a printed line may miss its printed result: half a unit of three digits at most."""
_NOTHING: Final = 1e-3
"""What a line may come to where 0 is printed, in the reader's unit."""
_MORE: Final = 9
_DECIMALS: Final = {"psi": 2, "bar": 3, "kPa": 1, "MPa": 4}
_CUSTOMARY: Final = {
    Kind.DIFFERENCE: 1.0 / 1.8,
    Kind.PER_DEGREE: 1.8,
    Kind.DENSITY: to_si(1.0, "lb", "mass") / to_si(1.0, "ft", "length") ** 3,
    Kind.LENGTH: to_si(1.0, "ft", "length"),
    Kind.MASS: to_si(1.0, "lb", "mass"),
}
"""SI values of 1 °F, 1/°F, 1 lb/ft³, 1 ft, 1 lb."""


@dataclass(frozen=True, slots=True)
class Line:
    """One step in words. ``formula`` and ``numbers`` are empty where the value is given or looked up."""

    symbol: str
    meaning: str
    formula: str
    numbers: str
    result: str
    unit: str
    source: str


def lines(steps: Sequence[Step], shown: Shown) -> list[Line]:
    """Return the steps with as many digits as are needed for each printed line to come out as printed."""
    for more in range(_MORE):
        found = [_line(step, shown, more) for step in steps]
        if all(_comes_out(line) for line in found):
            break
    return found


def _comes_out(line: Line) -> bool:
    if not line.numbers:
        return True
    printed = float(line.result)
    return abs(worked_out(line.numbers) - printed) <= (_CLOSE * abs(printed) or _NOTHING)


def _line(step: Step, shown: Shown, more: int) -> Line:
    numbers = ""
    if step.formula is not None:
        values = {one.symbol: written(one.value, one.kind, shown, more) for one in step.operands}
        numbers = put_in(step.formula, values)
    return Line(
        step.symbol,
        step.meaning,
        step.formula or "",
        numbers,
        written(step.value, step.kind, shown, more),
        unit_of(step.kind, shown),
        step.source,
    )


def written(value: float, kind: Kind, shown: Shown, more: int = 0) -> str:
    """Return the number that stands for ``value`` in the reader's unit, with ``more`` digits than usual."""
    number = converted(value, kind, shown)
    match kind:
        case Kind.GAUGE | Kind.ABSOLUTE:
            return trimmed(f"{number:.{_DECIMALS[shown.unit] + more}f}")
        case Kind.TEMPERATURE | Kind.DIFFERENCE | Kind.LENGTH:
            return trimmed(f"{number:.{2 + more}f}")
        case Kind.DENSITY:
            return trimmed(f"{number:.{(4 if shown.us else 3) + more}f}")
        case Kind.PER_DEGREE:
            return re.sub(r"e([+-])0", r"e\1", f"{number:.{4 + more}g}")
        case _:
            return trimmed(figure(number, 4 + more))


def converted(value: float, kind: Kind, shown: Shown) -> float:
    """Return an SI value (temperatures °C) in the reader's unit."""
    match kind:
        case Kind.GAUGE | Kind.ABSOLUTE:
            return from_si(value, shown.unit)
        case Kind.VOLUME:
            return from_si(value, shown.volumes, "volume")
        case Kind.HEAD:
            length = to_si(1.0, "ft" if shown.us else "m", "length")
            return from_si(value, shown.unit) * length
    return _customary(value, kind) if shown.us else value


def _customary(value: float, kind: Kind) -> float:
    if kind is Kind.TEMPERATURE:
        return from_si(value, "degF", "temperature")
    return value / _CUSTOMARY.get(kind, 1.0)


def unit_of(kind: Kind, shown: Shown) -> str:
    """Return the name of the unit in which a kind of value is shown."""
    us = shown.us
    return {
        Kind.GAUGE: shown.unit,
        Kind.ABSOLUTE: f"{shown.unit} abs",
        Kind.VOLUME: shown.volumes,
        Kind.TEMPERATURE: "°F" if us else "°C",
        Kind.DIFFERENCE: "°F" if us else "K",
        Kind.PER_DEGREE: "/°F" if us else "/K",
        Kind.RATIO: "",
        Kind.DENSITY: "lb/ft³" if us else "kg/m³",
        Kind.LENGTH: "ft" if us else "m",
        Kind.HEAD: f"{shown.unit}/{'ft' if us else 'm'}",
        Kind.MASS: "lb" if us else "kg",
    }[kind]
