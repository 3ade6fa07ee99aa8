"""A temperature, where there is one: in °C, near the water that is heated, near the setpoint."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import counted, percent
from monitor.estimation.samples import FloatArray

_KNOWN: Final = 0.5  # of the rows
_NEAR: Final = 8.0  # K: what the gauge still believes
_FOLLOWS: Final = 1.0  # K in a burn
_MOST: Final = 0.5  # of the burns
_SHARE: Final = 0.06  # relative distance at which °F is recognised
_TAIL: Final = 240.0  # s


def temperature(scene: Scene) -> Check:
    """Return whether the temperature helps; none is needed."""
    known = np.isfinite(scene.rows.temperature)
    share = float(np.mean(known))
    evidence: dict[str, Number] = {"known_share": round(share, 4), "setpoint_c": scene.site.heater.setpoint}
    if share == 0.0:
        return _none(scene, evidence)
    if share < _KNOWN:
        return Check(
            Code.TEMPERATURE,
            Word.DOUBTFUL,
            f"A temperature stands beside {percent(share)} of the readings only.",
            "Let the device send it every minute, or not at all.",
            evidence,
        )
    rises, tops = _burns(scene)
    if len(tops) < 3:
        return Check(
            Code.TEMPERATURE,
            Word.NOT_SEEN,
            f"It reads {float(np.median(scene.rows.temperature[known])):.1f} °C in the middle; "
            f"{counted(len(tops), 'burn')} to compare it with so far.",
            evidence=evidence,
        )
    return _judged(scene, rises, tops, evidence)


def _none(scene: Scene, evidence: dict[str, Number]) -> Check:
    plant = scene.plant
    here = float(plant.fluid.expansion_per_joule(plant.setpoint)) - plant.shell_per_joule
    above = float(plant.fluid.expansion_per_joule(plant.setpoint + 1.0)) - plant.shell_per_joule
    per_kelvin = (above / here - 1.0) * plant.air_nominal / plant.tank_volume
    evidence["kpa_per_kelvin"] = round(per_kelvin / 1000.0, 3)
    given = (
        "the setpoint of the site file" if scene.site.heater.setpoint is not None else "a guessed setpoint"
    )
    return Check(
        Code.TEMPERATURE,
        Word.FITS,
        f"None is reported, and none is needed: {given} ({plant.setpoint:.0f} °C) stands for it. Each kelvin that it "
        f"is off moves the air charge told by {scene.voice.small(per_kelvin)}, until the tank has been gauged once.",
        evidence=evidence,
    )


def _burns(scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Return by how much the temperature rose in each burn and its tail, and its top. [K], [°C]."""
    rises, tops = [], []
    for first, end in scene.heating.spans:
        last = int(np.searchsorted(scene.rows.time, scene.rows.time[end] + _TAIL))
        part = scene.rows.temperature[first:last]
        part = part[np.isfinite(part)]
        if len(part) >= 2:
            rises.append(float(np.max(part) - part[0]))
            tops.append(float(np.max(part)))
    return np.array(rises), np.array(tops)


def _judged(scene: Scene, rises: FloatArray, tops: FloatArray, evidence: dict[str, Number]) -> Check:
    top, setpoint = float(np.median(tops)), scene.plant.setpoint
    follows = float(np.mean(rises >= _FOLLOWS))
    evidence.update(top_c=round(top, 2), follows_share=round(follows, 3))
    seen = f"It follows {percent(follows)} of {counted(len(tops), 'burn')} and ends them at {top:.0f} °C"
    stated = scene.site.heater.setpoint
    if stated is not None and abs(top / (1.8 * stated + 32.0) - 1.0) < _SHARE and top - stated > 2 * _NEAR:
        return Check(
            Code.TEMPERATURE,
            Word.WRONG,
            f"{seen}; the setpoint is {stated:.0f} °C or {1.8 * stated + 32.0:.0f} °F: Fahrenheit is sent as Celsius.",
            "Send °C, or name the unit in the topic.",
            evidence,
        )
    if stated is None:
        return Check(
            Code.TEMPERATURE,
            Word.DOUBTFUL,
            f"{seen}; the site file has no setpoint to compare it with.",
            "Read the setpoint from the thermostat into the site file.",
            evidence,
        )
    if abs(top - setpoint) > _NEAR:
        return Check(
            Code.TEMPERATURE,
            Word.DOUBTFUL,
            f"{seen}; the setpoint is {setpoint:.0f} °C. So far off it is not believed.",
            "Compare the setpoint with the thermostat. If that is right, put the sensor where the heated water is: "
            "on the hot outlet, close to the heater, under insulation.",
            evidence,
        )
    if follows < _MOST:
        seen += f", near the setpoint of {setpoint:.0f} °C, but seldom rises with a burn: it is used where it does"
        return Check(Code.TEMPERATURE, Word.FITS, f"{seen}.", evidence=evidence)
    return Check(
        Code.TEMPERATURE, Word.FITS, f"{seen}; the setpoint is {setpoint:.0f} °C.", evidence=evidence
    )
