"""Charts as SVG made here: no script, no style attribute, so that a strict content policy lets them pass.

Colours and strokes are classes of the page's style sheet; `standalone` adds a sheet for use elsewhere.
Nothing is told by colour alone: lines carry their names, bands are hatched by an outline, marks have shapes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from monitor.estimation.samples import FloatArray
from monitor.web import axes

_LEFT: Final = 46
_RIGHT: Final = 14
_TOP: Final = 14
_BOTTOM: Final = 28
_LABEL: Final = 6.6
"""Width of a character of a label, about. [px]"""


@dataclass(frozen=True, slots=True)
class Level:
    """A horizontal line with its name: a limit or a setting."""

    value: float
    name: str
    kind: str = "level"


@dataclass(frozen=True, slots=True)
class Mark:
    """A vertical line with a shape on top and a name: a visit or the begin of an event."""

    time: float
    name: str
    kind: str = "visit"


@dataclass(frozen=True, slots=True)
class Chart:
    """One quantity over time: a line, perhaps an interval band, levels and marks. Values in ``unit``.

    ``spans`` are shaded from top to bottom. No line is drawn over more than ``gap`` seconds without a value.
    """

    title: str
    unit: str
    timezone: str
    time: FloatArray
    value: FloatArray
    low: FloatArray | None = None
    high: FloatArray | None = None
    levels: Sequence[Level] = field(default_factory=tuple)
    marks: Sequence[Mark] = field(default_factory=tuple)
    gap: float = 1800.0
    spans: Sequence[tuple[float, float]] = field(default_factory=tuple)

    def svg(self, width: int, height: int) -> Markup:
        """Return the chart as an SVG element of this size."""
        return _Canvas(self, width, height).draw()


class _Canvas:
    """Places one chart on a sheet of pixels."""

    def __init__(self, chart: Chart, width: int, height: int) -> None:
        self._chart = chart
        self._width, self._height = width, height
        self._start, self._end = float(chart.time[0]), float(chart.time[-1])
        if self._end <= self._start:
            self._start, self._end = self._start - 1800.0, self._end + 1800.0
        self._low, self._high = self._range()
        self._parts: list[str] = []
        self._names: list[str] = []

    def _range(self) -> tuple[float, float]:
        chart = self._chart
        arrays = [one for one in (chart.value, chart.low, chart.high) if one is not None]
        values = np.concatenate([*arrays, [level.value for level in chart.levels]])
        values = values[np.isfinite(values)]
        low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
        room = max(0.08 * (high - low), 1e-3 * max(abs(high), 1.0))
        return low - room, high + room

    def _x(self, time: float) -> float:
        inner = self._width - _LEFT - _RIGHT
        return _LEFT + inner * (time - self._start) / (self._end - self._start)

    def _y(self, value: float) -> float:
        inner = self._height - _TOP - _BOTTOM
        return _TOP + inner * (self._high - value) / (self._high - self._low)

    def draw(self) -> Markup:
        """Return the whole element, background first."""
        self._spans()
        self._axes()
        self._band()
        for level in self._chart.levels:
            self._level(level)
        named = -np.inf
        for mark in sorted(self._chart.marks, key=lambda one: one.time):
            if self._start <= mark.time <= self._end:
                clear = self._x(mark.time) - named > 9 + _LABEL * len(mark.name)
                self._mark(mark, named=clear)
                named = self._x(mark.time) if clear else named
        self._line()
        head = (
            f'<svg class="chart" viewBox="0 0 {self._width} {self._height}" role="img" '
            f'aria-label="{escape(self._chart.title)}" xmlns="http://www.w3.org/2000/svg">'
        )
        return Markup(head + "".join([*self._parts, *self._names]) + "</svg>")  # noqa: S704 - every text in it is escaped

    def _axes(self) -> None:
        right, bottom = self._width - _RIGHT, self._height - _BOTTOM
        for value, label in axes.numbers(self._low, self._high, max(3, self._height // 55)):
            y = self._y(value)
            self._parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{right}"/>')
            self._text(_LEFT - 6, y + 4, label, "end")
        for time, label in axes.times(
            self._start, self._end, self._chart.timezone, max(2, self._width // 95)
        ):
            x = self._x(time)
            self._parts.append(f'<path class="grid" d="M{x:.1f} {bottom}v5"/>')
            if _LEFT + 8 < x < right - 8:
                self._text(x, bottom + 18, label, "middle")
        self._text(2, 10, self._chart.unit, "start")
        self._parts.append(f'<path class="axis" d="M{_LEFT} {bottom}H{right}"/>')

    def _spans(self) -> None:
        bottom = self._height - _BOTTOM
        for start, end in self._chart.spans:
            left, right = self._x(max(start, self._start)), self._x(min(end, self._end))
            if right > left:
                size = f'width="{right - left:.1f}" height="{bottom - _TOP}"'
                self._parts.append(f'<rect class="heat" x="{left:.1f}" y="{_TOP}" {size}/>')

    def _band(self) -> None:
        chart = self._chart
        if chart.low is None or chart.high is None:
            return
        upper = [f"{self._x(t):.1f} {self._y(v):.1f}" for t, v in zip(chart.time, chart.high, strict=True)]
        lower = [f"{self._x(t):.1f} {self._y(v):.1f}" for t, v in zip(chart.time, chart.low, strict=True)]
        self._parts.append(f'<path class="band" d="M{"L".join([*upper, *reversed(lower)])}Z"/>')

    def _line(self) -> None:
        chart = self._chart
        gap = max(self._chart.gap, (self._end - self._start) / 60)
        steps, before = [], -np.inf
        for time, value in zip(chart.time.tolist(), chart.value.tolist(), strict=True):
            steps.append(f"{'M' if time - before > gap else 'L'}{self._x(time):.1f} {self._y(value):.1f}")
            before = time
        self._parts.append(f'<path class="line" d="{"".join(steps)}"/>')
        self._parts.append(
            f'<circle class="now" cx="{self._x(time):.1f}" cy="{self._y(value):.1f}" r="3.5"/>'
        )

    def _level(self, level: Level) -> None:
        y, right = self._y(level.value), self._width - _RIGHT
        self._parts.append(f'<path class="{level.kind}" d="M{_LEFT} {y:.1f}H{right}"/>')
        self._text(_LEFT + 4, y - 5, level.name, "start", "name")

    def _mark(self, mark: Mark, *, named: bool) -> None:
        x, bottom = self._x(mark.time), self._height - _BOTTOM
        shape = "M{x} {y}l5 6l-5 6l-5 -6z" if mark.kind == "visit" else "M{x} {y}l6 11h-12z"
        self._parts.append(f'<path class="{mark.kind}" d="M{x:.1f} {_TOP + 10}V{bottom}"/>')
        self._parts.append(f'<path class="{mark.kind} shape" d="{shape.format(x=f"{x:.1f}", y=_TOP)}"/>')
        if not named:
            return
        fits = x + 10 + _LABEL * len(mark.name) < self._width
        self._text(x + 9 if fits else x - 9, _TOP + 10, mark.name, "start" if fits else "end", "name")

    def _text(self, x: float, y: float, text: str, anchor: str, kind: str = "tick") -> None:
        # Names of lines stand above everything else.
        parts = self._parts if kind == "tick" else self._names
        parts.append(
            f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'
        )


def strip(low: float, value: float, high: float, limit: float | None, most: float) -> Markup:
    """Return a small line from empty to ``most``: interval as a bar, estimate as a bead, limit as a notch."""

    def x(one: float) -> float:
        return 4 + 192 * min(max(one / most, 0.0), 1.0)

    parts = ['<path class="rail" d="M4 10H196"/>']
    if limit is not None:
        parts.append(f'<path class="limit" d="M{x(limit):.1f} 1V19"/>')
    parts.append(f'<path class="reach" d="M{x(low):.1f} 10H{x(high):.1f}"/>')
    parts.append(f'<circle class="bead" cx="{x(value):.1f}" cy="10" r="3"/>')
    return Markup(f'<svg class="strip" viewBox="0 0 200 20" aria-hidden="true">{"".join(parts)}</svg>')  # noqa: S704


_SHEET: Final = """
.chart{font:12px sans-serif}.paper{fill:#fff}.grid{stroke:#dcdad4;fill:none}.axis{stroke:#5a6068;fill:none}
.tick{fill:#5a6068}.title{fill:#1c2024;font-size:14px;font-weight:bold}
.name{fill:#1c2024;paint-order:stroke;stroke:#fff;stroke-width:4px}
.line{stroke:#0072b2;stroke-width:1.6;fill:none;stroke-linejoin:round}.now{fill:#0072b2}
.band{fill:#0072b2;fill-opacity:.14;stroke:#0072b2;stroke-opacity:.35;stroke-width:.75}
.heat{fill:#e69f00;fill-opacity:.28}
.level{stroke:#5a6068;stroke-dasharray:2 4;fill:none}
.limit{stroke:#d55e00;stroke-width:1.6;stroke-dasharray:8 4;fill:none}.visit{stroke:#009e73;fill:none}
.event{stroke:#d55e00;fill:none}.visit.shape{fill:#009e73}.event.shape{fill:#d55e00}
"""
"""Light style for a chart that stands alone; the page's own sheet knows dark mode too."""

_HEAD: Final = 30
"""Height of the title over a chart that stands alone. [px]"""


def standalone(chart: Chart, width: int, height: int) -> str:
    """Return a chart as the text of an SVG file, with its title and its style inside."""
    inner = chart.svg(width, height - _HEAD).partition(">")[2].removesuffix("</svg>")
    return (
        f'<svg class="chart" xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 {-_HEAD} {width} {height}"><title>{escape(chart.title)}</title><style>{_SHEET}</style>'
        f'<rect class="paper" y="{-_HEAD}" width="{width}" height="{height}"/>'
        f'<text class="title" x="{_LEFT}" y="-8">{escape(chart.title)}</text>{inner}</svg>\n'
    )
