"""A sizing as one HTML file: no network, no script, fit to be printed and filed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, select_autoescape

from monitor.sizing.case import TankKind
from monitor.sizing.result import Sizing
from monitor.web import charts
from monitor.web.sizing.answer import METHODS, answer, title
from monitor.web.sizing.cautions import peak
from monitor.web.sizing.lines import lines
from monitor.web.sizing.shown import Shown
from monitor.web.sizing.tank import advised

_STYLE: Final = Path(charts.__file__).parent / "static" / "style.css"


def page(found: Sizing, shown: Shown, notes: Sequence[str] = (), *, place: str = "", dated: str = "") -> str:
    """Return the whole page; ``place`` and ``dated`` say whose tank it is and of which day, where given."""
    environment = Environment(
        loader=PackageLoader("monitor.web"),
        autoescape=select_autoescape(),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("sizing.html").render(
        style=_STYLE.read_text(encoding="utf-8"),
        title=title(found, place),
        dated=dated,
        method=METHODS[found.method],
        facts=_facts(found, shown),
        sections=answer(found, shown, notes),
        lines=lines(found.steps, shown),
    )


def _facts(found: Sizing, shown: Shown) -> list[tuple[str, str]]:
    facts = [("Tank, at least", shown.volume(found.exact, up=True)), ("Tank to fit", advised(found, shown))]
    if found.case.tank is TankKind.DIAPHRAGM:
        facts.append(("Air charge, water side relieved", shown.pressure(found.advised.precharge)))
    return [*facts, ("Peak of a full recovery", peak(found.advised.peaks.slow, shown))]
