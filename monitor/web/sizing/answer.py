"""A sizing in words: what to buy, what to do with it, what to mind. The text and the page show the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis import rationale
from monitor.physics.solids import PEX
from monitor.sizing.case import Case, Method, TankKind, Use
from monitor.sizing.pressures import cold_of
from monitor.sizing.result import Caution, Sizing
from monitor.web.sizing.cautions import caution
from monitor.web.sizing.present import remedy, verdict
from monitor.web.sizing.shown import Shown
from monitor.web.sizing.tank import to_fit

METHODS: Final = {
    Method.ASHRAE: "ASHRAE handbook, hydronic systems",
    Method.EN12828: "EN 12828, annex D",
    Method.POTABLE: "Boyle's law for potable water",
}
_USES: Final = {Use.DOMESTIC: "domestic hot water", Use.HEATING: "a heating loop"}


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and its rows: name and text, the name empty in a list."""

    heading: str
    rows: tuple[tuple[str, str], ...]


def title(found: Sizing, place: str = "") -> str:
    """Return what was sized, and where it is if that is known."""
    return f"Expansion tank for {_USES[found.case.use]}" + (f": {place}" if place else "")


def warning(one: Caution, found: Sizing, shown: Shown) -> str:
    """Return a caution; one about the present tank ends with what suits its volume and charge."""
    said = caution(one, shown)
    return f"{said} {remedy(found, shown)}" if one.code.startswith("present-peak") else said


def answer(found: Sizing, shown: Shown, notes: Sequence[str] = ()) -> list[Section]:
    """Return the sections that have something to say; ``notes`` tell what the asking took for granted."""
    sections = [
        Section("What to fit", tuple(to_fit(found, shown))),
        _listed("Cautions", [warning(one, found, shown) for one in found.cautions]),
        Section("The tank that is there", tuple(verdict(found, shown))),
        Section("By other methods", tuple(_others(found, shown))),
        _listed("Taken for granted", assumptions(found, shown, notes)),
        _listed("Before anyone starts", safety(found.case)),
    ]
    return [section for section in sections if section.rows]


def assumptions(found: Sizing, shown: Shown, notes: Sequence[str] = ()) -> list[str]:
    """Return what stands in for what was not given, and whose rule it is."""
    return [*_assumed(found, shown), *notes]


def safety(case: Case) -> list[str]:
    """Return what comes before all that was worked out."""
    gauging = () if case.tank is TankKind.PLAIN else (rationale.RELIEVE, rationale.PUMP)
    return [rationale.LICENSED, rationale.NEVER_PLUG, rationale.HOT_WATER, *gauging]


def _listed(heading: str, texts: Sequence[str]) -> Section:
    return Section(heading, tuple(("", text) for text in texts))


def _others(found: Sizing, shown: Shown) -> Iterator[tuple[str, str]]:
    for method, exact in found.others:
        yield "", f"{METHODS[method]}: at least {shown.volume(exact, up=True)}."


def _assumed(found: Sizing, shown: Shown) -> Iterator[str]:
    case = found.case
    if "cold" in found.assumed:
        which = "Cold" if case.use is Use.DOMESTIC else "Filling"
        yield f"{which} water at {shown.temperature(cold_of(case))}."
    yield (
        f"The water gets no hotter than {shown.temperature(case.hot)}. Thermostats overshoot by a few kelvin: give the "
        "highest temperature that is reached, not the setpoint."
    )
    if case.highest is None:
        yield f"Highest pressure at the tank, {shown.pressure(found.highest)}, stays under {_limit(found)}."
    if case.use is Use.HEATING and case.supply is None and found.method is Method.ASHRAE:
        step = next(step for step in found.steps if step.symbol == "p1")
        yield f"Filling pressure at the tank, {shown.pressure(found.supply)}: {step.source}."
    if any(part.material == PEX for part in case.parts):
        yield "Pipes of PEX do not grow: they yield as well, but not by the same amount every time."


def _limit(found: Sizing) -> str:
    """Return what sets the highest pressure, the code's limit of the line or the relief valve, and by whose rule."""
    steps = {step.symbol: step for step in found.steps}
    if found.case.relief is None:
        return f"the limit of the line. Rule: {steps['p2'].source}"
    if "pl" in steps and steps["pl"].value <= found.highest:
        return f"the limit of the line. Rule: {steps['pl'].source}"
    return f"the relief setting. Rule: {steps['p2'].source}"
