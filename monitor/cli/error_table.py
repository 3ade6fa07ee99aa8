"""The table of error contributions as text, Markdown and data."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from monitor.units import KPA, PSI

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.sizing.neglected import Row, Shift, Table

_EVEN: Final = 0.8  # both ends of a range within this of each other are written as one
_HEAD: Final = (
    "effect",
    "growth, %",
    "peak, kPa (psi)",
    "air charge by one window, kPa (psi)",
    "after a gauge reading, kPa (psi)",
    "sizing",
    "gauge",
    "source of the range",
)
_SHORT: Final = ("effect", "growth %", "peak kPa (psi)", "one window kPa (psi)", "after visit kPa (psi)")
_WIDE: Final = 46


def markdown(table: Table) -> str:
    """Return one system as a heading line, a table and a line with the totals."""
    lines = [f"**{table.system.title}.** {_undisturbed(table)}", "", _row(_HEAD), _row(("---",) * len(_HEAD))]
    lines += [
        _row((*_cells(row), row.effect.sizing, row.effect.gauge, row.effect.source)) for row in table.rows
    ]
    lines += [_row((f"**{name}**", *cells, "", "", "")) for name, *cells in _totals(table)]
    return "\n".join([*lines, "", _scale(table)])


def text(table: Table) -> str:
    """Return one system as columns for a terminal, 120 characters wide."""
    lines = [*textwrap.wrap(f"{table.system.title}. {_undisturbed(table)}", 118), "", _line(_SHORT, "gauge")]
    for row in table.rows:
        name, *cells = _cells(row)
        first, *more = textwrap.wrap(name, _WIDE)
        lines += [_line((first, *cells), row.effect.gauge), *more]
    lines += [_line((name, *cells), "") for name, *cells in _totals(table)]
    return "\n".join([*lines, "", *textwrap.wrap(_scale(table), 118)])


def as_data(tables: Sequence[Table]) -> dict[str, object]:
    """Return everything in machine units: litres, kPa, per cent."""
    return {"systems": [_data(table) for table in tables]}


def _data(table: Table) -> dict[str, object]:
    total = table.total
    return {
        "name": table.system.name,
        "title": table.system.title,
        "growth_l": round(1e3 * table.growth, 4),
        "peak_kpa": round(table.peak / KPA, 2),
        "window_rise_kpa": round(table.rise / KPA, 3),
        "effects": [_effect(row) for row in table.rows],
        "standard_uncertainty": {
            "growth_percent": round(100.0 * total.growth, 3),
            "peak_kpa": round(total.peak / KPA, 3),
            "charge_kpa": round(total.charge / KPA, 3),
            "charge_after_visit_kpa": round(total.after_visit / KPA, 3),
            "scale_percent": round(100.0 * total.scale, 3),
        },
    }


def _effect(row: Row) -> dict[str, object]:
    return {
        "effect": row.effect.name,
        "source": row.effect.source,
        "sizing": str(row.effect.sizing),
        "gauge": str(row.effect.gauge),
        "same_in_every_window": row.effect.steady,
        "growth_percent": _ends(row.growth, 100.0),
        "peak_kpa": _ends(row.peak, 1.0 / KPA),
        "charge_kpa": _ends(row.charge, 1.0 / KPA),
        "charge_after_visit_kpa": _ends(row.after_visit, 1.0 / KPA),
    }


def _ends(shift: Shift, factor: float) -> list[float]:
    ends = [shift.high] if shift.low is None else [shift.high, shift.low]
    return [round(end * factor, 4) + 0.0 for end in ends]


def _undisturbed(table: Table) -> str:
    return (
        f"Undisturbed: growth {1e3 * table.growth:.2f} L, peak {_both(table.peak)}, a window of ten minutes "
        f"raises the line by {_both(table.rise)}, air charge {_both(table.system.charge)}."
    )


def _both(pressure: float) -> str:
    return f"{pressure / KPA:.0f} kPa ({pressure / PSI:.1f} psi)"


def _scale(table: Table) -> str:
    return (
        f"What the gauge leaves out and is the same in every window adds up to a standard uncertainty of "
        f"{100.0 * table.total.scale:.1f} % of the air."
    )


def _cells(row: Row) -> tuple[str, ...]:
    pressures = (row.peak, row.charge, row.after_visit)
    return row.effect.name, _shift(row.growth, 100.0), *(_kpa_psi(one) for one in pressures)


def _totals(table: Table) -> list[tuple[str, ...]]:
    total = table.total
    values = (total.peak, total.charge, total.after_visit)
    cells = (f"{one / KPA:.1f} ({one / PSI:.1f})" for one in values)
    return [("standard uncertainty, all together", f"{100.0 * total.growth:.1f}", *cells)]


def _kpa_psi(shift: Shift) -> str:
    kpa = _shift(shift, 1.0 / KPA)
    psi = _shift(shift, 1.0 / PSI)
    return kpa if psi == "0" else f"{kpa} ({psi})"


def _shift(shift: Shift, factor: float) -> str:
    """Return a shift to one decimal: 0, one sign, plus or minus the larger end, or both ends."""
    high, low = shift.high * factor, (shift.low or 0.0) * factor
    if max(abs(high), abs(low)) < 0.05:
        return "0"
    if shift.low is None:
        return f"{high:+.1f}"
    even = high * low < 0.0 and min(abs(high), abs(low)) > _EVEN * max(abs(high), abs(low))
    return f"±{max(abs(high), abs(low)):.1f}" if even else f"{_signed(high)}/{_signed(low)}"


def _signed(value: float) -> str:
    return f"{value:+.1f}" if abs(value) >= 0.05 else "0"


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _line(cells: Sequence[str], last: str) -> str:
    name, growth, *pressures = cells
    columns = f"{name:<{_WIDE}.{_WIDE}} {growth:>10}" + "".join(f" {one:>21}" for one in pressures)
    return f"{columns}  {last}".rstrip()
