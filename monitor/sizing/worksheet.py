"""The steps of a calculation as an engineer writes them: symbol, formula, numbers, result, source.

A formula is written in the symbols of its operands with ``+ - * / max() min()``, and holds in any consistent
units: whoever shows it may put in litres and bar or gallons and psi. A test works every formula out again.
Lower-case ``p`` is a gauge pressure, upper-case ``P`` an absolute one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Kind(StrEnum):
    """What a value is, hence which unit it is shown in; values are SI (temperatures °C)."""

    GAUGE = "gauge pressure"
    ABSOLUTE = "absolute pressure"
    VOLUME = "volume"
    TEMPERATURE = "temperature"
    DIFFERENCE = "temperature difference"
    PER_DEGREE = "per degree"
    RATIO = "ratio"
    DENSITY = "density"
    LENGTH = "length"
    HEAD = "pressure per height"
    MASS = "mass"


@dataclass(frozen=True, slots=True)
class Operand:
    """A value that enters a step under a symbol."""

    symbol: str
    value: float
    kind: Kind


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the calculation. ``formula`` is None where the value is looked up or given."""

    symbol: str
    meaning: str
    value: float
    kind: Kind
    source: str
    formula: str | None = None
    operands: tuple[Operand, ...] = ()


@dataclass(slots=True)
class Worksheet:
    """Collects steps in order; a later formula may use the symbol of any earlier step."""

    steps: list[Step] = field(default_factory=list)

    def given(self, symbol: str, meaning: str, value: float, kind: Kind, source: str) -> float:
        """Note a value that is given, assumed or looked up; return it."""
        self.steps.append(Step(symbol, meaning, value, kind, source))
        return value

    def work(
        self, symbol: str, meaning: str, formula: str, value: float, kind: Kind, source: str, uses: str = ""
    ) -> float:
        """Note the ``value`` that ``formula`` gives from the steps whose symbols ``uses`` lists; return it."""
        operands = tuple(self._operand(name) for name in uses.split())
        self.steps.append(Step(symbol, meaning, value, kind, source, formula, operands))
        return value

    def has(self, symbol: str) -> bool:
        """Whether a step of that symbol stands on the sheet."""
        return any(step.symbol == symbol for step in self.steps)

    def _operand(self, symbol: str) -> Operand:
        step = next(step for step in reversed(self.steps) if step.symbol == symbol)
        return Operand(symbol, step.value, step.kind)
