"""All checks together, what waits for what, and what to do next."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

from monitor.diagnosis.commissioning.check import Accuracy, Check, Code, Commissioning, Word
from monitor.diagnosis.commissioning.heater import heater_energy, heater_state
from monitor.diagnosis.commissioning.outlook import windows
from monitor.diagnosis.commissioning.place import clock_lag, clocks, sensor_place
from monitor.diagnosis.commissioning.plates import relief, tank
from monitor.diagnosis.commissioning.pressure import pressure_signal, pressure_unit, unit_is_off
from monitor.diagnosis.commissioning.sampling import enough_data, sampling
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.temperature import temperature
from monitor.diagnosis.faults import Fault
from monitor.diagnosis.report import Report
from monitor.site import Site

_CHECKS: Final[tuple[Callable[[Scene], Check], ...]] = (
    enough_data,
    sampling,
    pressure_unit,
    pressure_signal,
    heater_state,
    heater_energy,
    clocks,
    sensor_place,
    temperature,
    relief,
    tank,
    windows,
)

NAMES: Final[Mapping[Code, str]] = {
    Code.ENOUGH_DATA: "Enough data",
    Code.SAMPLING: "Sampling",
    Code.PRESSURE_UNIT: "Unit and zero",
    Code.PRESSURE_SIGNAL: "Pressure signal",
    Code.HEATER_STATE: "Heater state",
    Code.HEATER_ENERGY: "Heater's plate",
    Code.CLOCKS: "Clocks",
    Code.SENSOR_PLACE: "Sensor's place",
    Code.TEMPERATURE: "Temperature",
    Code.RELIEF: "Relief valve",
    Code.TANK: "Tank's plate",
    Code.WINDOWS: "Clean windows",
}
"""What people read for a code."""

_AFTER: Final[Mapping[Code, tuple[Code, ...]]] = {
    Code.HEATER_ENERGY: (Code.HEATER_STATE,),
    Code.CLOCKS: (Code.PRESSURE_SIGNAL, Code.HEATER_STATE),
    Code.SENSOR_PLACE: (Code.PRESSURE_SIGNAL, Code.HEATER_STATE),
    Code.TANK: (Code.PRESSURE_UNIT, Code.PRESSURE_SIGNAL, Code.HEATER_STATE, Code.CLOCKS, Code.SENSOR_PLACE),
    Code.WINDOWS: (Code.PRESSURE_SIGNAL, Code.HEATER_STATE, Code.CLOCKS, Code.SENSOR_PLACE),
}
"""What must not be wrong before a thing can be judged."""

_OFF_SCALE: Final = (
    Code.PRESSURE_SIGNAL,
    Code.CLOCKS,
    Code.SENSOR_PLACE,
    Code.RELIEF,
    Code.TANK,
    Code.WINDOWS,
)
"""What cannot be judged where pressures are off by a factor."""

_FOUND: Final[Mapping[Fault, Code]] = {
    Fault.PRESSURE_SENSOR_FAULT: Code.PRESSURE_SIGNAL,
    Fault.HEATER_STATE_FAULT: Code.HEATER_STATE,
    Fault.CHECK_VALVE_PASSING: Code.SENSOR_PLACE,
    Fault.RELIEF_DISCHARGING: Code.RELIEF,
    Fault.AIR_CHARGE_LOW: Code.TANK,
    Fault.AIR_CUSHION_LOST: Code.TANK,
    Fault.AIR_CHARGE_HIGH: Code.TANK,
    Fault.TANK_UNDERSIZED: Code.TANK,
}
"""Which thing a fault, raised by the running diagnosis, speaks against."""

_NARROWER: Final = 0.5  # times the interval: a gauge reading is then worth a visit
_WORST_FIRST: Final = tuple(Word)


def judge(scene: Scene, accuracy: Accuracy | None) -> Commissioning:
    """Return what is thought of a site's set-up; ``accuracy`` as far as the cushion could be weighed."""
    found = {check.code: check for check in (look(scene) for look in _CHECKS)}
    checks = _in_turn(_with_findings(scene.report, found), off_scale=unit_is_off(scene))
    trusted = (
        all(found[code].word is not Word.WRONG for code in _AFTER[Code.TANK]) and clock_lag(scene) is None
    )
    known = accuracy if trusted else None
    return Commissioning(
        site=scene.site.id,
        start=float(scene.rows.time[0]),
        end=float(scene.rows.time[-1]),
        samples=len(scene.rows),
        checks=checks,
        accuracy=known,
        next=_next(scene.site, checks, known),
    )


def nothing(site: Site, refused: Sequence[str]) -> Commissioning:
    """Return what is said of a site of which nothing has been read."""
    why = f" {len(refused)} messages of it were refused, the last because: {refused[0]}" if refused else ""
    check = Check(
        Code.ENOUGH_DATA,
        Word.WRONG,
        f"There are fewer than two readings of pressure.{why}",
        "Is the service running, and does the device publish to the topics of the service file? `cushionwatch "
        "rejected` lists what came but could not be read.",
    )
    again = f"Then ask again: `cushionwatch commission {site.id}`."
    return Commissioning(site.id, None, None, 0, (check,), None, (check.do, again))


def sorted_by_word(checks: Sequence[Check]) -> list[Check]:
    """Return checks worst first, else in the order in which a person would look."""
    return sorted(checks, key=lambda check: _WORST_FIRST.index(check.word))


def _with_findings(report: Report, found: Mapping[Code, Check]) -> dict[Code, Check]:
    """Doubt what fits by its own check where the running diagnosis has found a fault in it."""
    checks = dict(found)
    for finding in report.findings:
        clock = finding.evidence.get("kind") == "clock"
        code = Code.CLOCKS if clock else _FOUND.get(finding.fault)
        if finding.ended is None and code is not None and checks[code].word in {Word.FITS, Word.NOT_SEEN}:
            evidence = {**checks[code].evidence, "finding": finding.fault.value}
            checks[code] = Check(code, Word.DOUBTFUL, finding.why, finding.action, evidence)
    return checks


def _in_turn(found: Mapping[Code, Check], *, off_scale: bool) -> tuple[Check, ...]:
    """Withdraw what cannot be judged before something else is put right."""
    checks = []
    for code, check in found.items():
        first = [one for one in _AFTER.get(code, ()) if found[one].word is Word.WRONG]
        if off_scale and code in _OFF_SCALE:
            first = [Code.PRESSURE_UNIT]
        if first and "odd_size" not in check.evidence:
            names = " and ".join(NAMES[one].lower() for one in first)
            told = f"Cannot be judged before this is right: {names}."
            check = replace(check, word=Word.NOT_SEEN, seen=told, do="")  # noqa: PLW2901
        checks.append(check)
    return tuple(checks)


def _next(site: Site, checks: Sequence[Check], accuracy: Accuracy | None) -> tuple[str, ...]:
    """Return what to do now, first things first."""
    ranked = sorted_by_word(checks)
    steps = [f"{NAMES[c.code]}: {c.do}" for c in ranked if c.word in {Word.WRONG, Word.DOUBTFUL}][:1]
    waits = next((c for c in checks if c.code is Code.ENOUGH_DATA and c.word is Word.NOT_SEEN), None)
    steps += [
        f"{NAMES[c.code]}: {c.do}" for c in checks if c.word is Word.NOT_SEEN and c.do and c is not waits
    ][:2]
    open_ones = sum(1 for c in checks if c.word in {Word.WRONG, Word.DOUBTFUL})
    if open_ones > 1:
        steps[0] = f"Begin with this one, others may then fall into place. {steps[0]}"
    if waits is not None:
        steps.append(waits.do)
    elif open_ones:
        steps.append(f"A day after the change ask again: `cushionwatch commission {site.id} --latest`.")
    if accuracy is not None and accuracy.gauged.high_kpa - accuracy.gauged.low_kpa < _NARROWER * (
        accuracy.now.high_kpa - accuracy.now.low_kpa
    ):
        steps.append(
            "At the next occasion gauge the tank once, water side relieved, and enter it: "
            f'`cushionwatch visit {site.id} --action gauged --precharge "..."`.'
        )
    if not steps:
        seen = all(check.word is Word.FITS for check in checks)
        steps = [
            "Nothing to change. Leave the service running."
            if seen
            else f"Leave it running, and ask again in a day: `cushionwatch commission {site.id} --latest`."
        ]
    return tuple(steps)
