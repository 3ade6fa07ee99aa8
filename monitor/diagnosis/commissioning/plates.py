"""The plates of the relief valve and of the tank against what was measured."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.limits import worst_case_peak
from monitor.diagnosis.report import ChargeEstimate

WINDOWS: Final = 4
"""Clean windows from which on a measured air charge means something."""

_KPA: Final = 1000.0
_ROOM: Final = 1.1  # of the line at rest: the least that a relief setting is above it
_NEAR: Final = 0.9  # of the setting
_BEYOND: Final = 1.1  # no valve lets the line go so far
_SMALL, _LARGE = 0.01, 0.5  # tank over heater volume (common practice, no source)
_DOUBT: Final = 1.5  # times the 90 % interval: one sound tank in ten would be doubted else
_FAR: Final = 2.5  # times, beyond the interval
_NEVER_PLUG: Final = "Never plug or cap a relief valve and never raise its setting."


def relief(scene: Scene) -> Check:
    """Return whether the relief setting is above the supply and above the peaks."""
    setting, level, say = scene.site.relief, scene.level.level, scene.voice.pressure
    peak = float(np.quantile(scene.rows.pressure, 0.9999)) * _KPA
    evidence: dict[str, Number] = {"peak_kpa": round(peak / _KPA, 2), "level_kpa": round(level / _KPA, 2)}
    if setting is None:
        return Check(
            Code.RELIEF,
            Word.NOT_SEEN,
            f"The site file names no relief setting; the highest pressure so far was {say(peak)}.",
            "Read the setting from the valve's plate into the site file as [relief] setting: then you hear how near "
            "a full recovery comes to it.",
            evidence,
        )
    evidence["setting_kpa"] = round(setting / _KPA, 2)
    seen = f"The relief valve opens at {say(setting)}; the line rests at {say(level)} and reached {say(peak)}"
    if setting < _ROOM * level or peak > _BEYOND * setting:
        return Check(
            Code.RELIEF,
            Word.WRONG,
            f"{seen}: a line cannot stand there with this valve.",
            f"Compare [relief] setting with the plate, then the sensor's unit. {_NEVER_PLUG}",
            evidence,
        )
    if peak > _NEAR * setting:
        return Check(
            Code.RELIEF,
            Word.DOUBTFUL,
            f"{seen}, nearly its setting.",
            "Look whether the valve's pipe drips after heating, gauge the tank's air charge with the water side "
            f"relieved, and compare the setting with the plate. {_NEVER_PLUG}",
            evidence,
        )
    return Check(Code.RELIEF, Word.FITS, f"{seen}.", evidence=evidence)


def tank(scene: Scene) -> Check:
    """Return whether the tank's volume and charge go with the air that was weighed."""
    site, report = scene.site, scene.report
    evidence: dict[str, Number] = {"windows": float(report.windows)}
    odd = _odd_size(scene)
    if odd is not None:
        evidence["odd_size"] = 1.0
        return Check(Code.TANK, Word.DOUBTFUL, odd[0], odd[1], evidence)
    if report.windows < WINDOWS or not report.air_charge:
        return Check(
            Code.TANK,
            Word.NOT_SEEN,
            f"The cushion has been weighed {report.windows} times; {WINDOWS} are needed.",
        )
    now, say = report.air_charge[-1], scene.voice.pressure
    stated = scene.level.level if site.precharge is None else site.precharge
    evidence.update(
        charge_kpa=round(now.kpa, 2), low_kpa=round(now.low_kpa, 2), high_kpa=round(now.high_kpa, 2),
        stated_kpa=round(stated / _KPA, 2),
    )  # fmt: skip
    whence = (
        "the site file says"
        if site.precharge is not None
        else "pumped to the pressure of the line at rest it has"
    )
    seen = (
        f"{report.windows} windows give an air charge of {say(now.kpa * _KPA)} ({say(now.low_kpa * _KPA)} to "
        f"{say(now.high_kpa * _KPA)}); {whence} {say(stated)}"
    )
    if site.precharge is None and site.supply is None:
        do = "Gauge the tank once, water side relieved, and write the charge into the site file as [tank] precharge."
        return Check(
            Code.TANK, Word.NOT_SEEN, f"{seen}. The site file names neither charge nor supply.", do, evidence
        )
    low, high = (now.kpa + _DOUBT * (edge - now.kpa) for edge in (now.low_kpa, now.high_kpa))
    if low <= stated / _KPA <= high:
        return _small(scene, seen, evidence)
    return _apart(scene, now, stated, seen, evidence)


def _odd_size(scene: Scene) -> tuple[str, str] | None:
    """Return what is odd about the stated sizes and what to do, None if nothing is."""
    volume, heater = scene.site.tank_volume, scene.site.heater.volume
    if volume is None:
        return (
            f"The tank's volume is not in the site file and was guessed at {1000 * scene.plant.tank_volume:.0f} L.",
            "Read the volume from the tank's plate into the site file as [tank] volume.",
        )
    if heater is not None and not _SMALL <= volume / heater <= _LARGE:
        return (
            f"A tank of {1000 * volume:.3g} L at a heater of {1000 * heater:.4g} L is unusual.",
            "Compare both with their plates: litres, gallons, or the heater's volume left without its loop?",
        )
    return None


def _small(scene: Scene, seen: str, evidence: dict[str, Number]) -> Check:
    """Return the check of a charge that agrees: whether the tank is large enough when charged so."""
    peak = worst_case_peak(scene.plant, scene.level.level, scene.plant.air_nominal, scene.plant.elastic)
    setting = scene.site.relief
    if setting is not None and peak > _NEAR * setting:
        return Check(
            Code.TANK,
            Word.DOUBTFUL,
            f"{seen}. By the plates a full recovery from cold reaches {scene.voice.pressure(peak)} even with a full "
            f"charge, and the relief valve opens at {scene.voice.pressure(setting)}.",
            "Compare the volumes with their plates; if they are right the tank is small: `cushionwatch size`.",
            evidence,
        )
    return Check(Code.TANK, Word.FITS, f"{seen}.", evidence=evidence)


def _apart(scene: Scene, now: ChargeEstimate, stated: float, seen: str, evidence: dict[str, Number]) -> Check:
    less = now.high_kpa * _KPA < stated
    outside = scene.plant.atmosphere
    edge = (now.high_kpa if less else now.low_kpa) * _KPA + outside
    ratio = (stated + outside) / edge if less else edge / (stated + outside)
    if less:
        causes = "the tank has lost air, it is smaller than stated, or the heater puts in more than stated"
    else:
        causes = (
            "the tank is larger, the heater weaker than stated, or water escapes or is drawn while it heats"
        )
    return Check(
        Code.TANK,
        Word.WRONG if ratio > _FAR else Word.DOUBTFUL,
        f"{seen}: {causes}.",
        "Switch the heater off, let the pressure off the water side, gauge the air valve, and enter it: "
        f"`cushionwatch visit {scene.site.id} --action gauged --precharge ...`. Compare the plates of tank and "
        "heater. Hot water scalds; local codes come first.",
        evidence,
    )
