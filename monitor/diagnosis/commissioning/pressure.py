"""The pressure by itself: its unit and zero, and whether it can show a burn at all."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import lasting

_KPA: Final = 1000.0
_NEAR: Final = 0.10  # of the stated supply, and
_NEAR_LEAST: Final = 15e3  # Pa: gauges, heights, a day's swing of the supply
_FAR: Final = 0.25
_FAR_LEAST: Final = 30e3
_FACTOR: Final = 0.2  # relative distance at which a factor between units is recognised
_OFFSET: Final = 20e3  # Pa within an atmosphere
_NOTHING: Final = 20e3  # Pa: a line with no pressure
_STILL: Final = 2.0  # Pa
_STILL_LONG: Final = 6 * 3600.0  # s to the last digit, though the heater was on
_SHOWS, _HARDLY = 4.0, 1.0  # rise of a burn over what its windows must show


class _Cause(NamedTuple):
    """What would make a line at the stated pressure read ``times`` as much."""

    times: float
    why: str


_CAUSES: Final = (
    _Cause(6.894757, "a number in kPa is read as psi"),
    _Cause(1 / 6.894757, "a number in psi is read as kPa"),
    _Cause(14.50377, "a number in psi is read as bar"),
    _Cause(1 / 14.50377, "a number in bar is read as psi"),
    _Cause(100.0, "a number in kPa is read as bar"),
    _Cause(0.01, "a number in bar is read as kPa"),
    _Cause(10.0, "a decimal point, or kPa for metres of water"),
    _Cause(0.1, "a decimal point, or MPa for bar"),
    _Cause(1000.0, "a number in Pa is read as kPa"),
    _Cause(0.001, "a number in MPa is read as kPa"),
)


def pressure_unit(scene: Scene) -> Check:
    """Return whether the line rests where the site file says; a difference is never converted, only named."""
    level, stated, say = scene.level.level, scene.site.supply, scene.voice.pressure
    evidence: dict[str, Number] = {"level_kpa": round(level / _KPA, 2)}
    if stated is None:
        return _unstated(scene, evidence)
    evidence["supply_stated_kpa"] = round(stated / _KPA, 2)
    away = abs(level - stated)
    seen = f"The line rests at {say(level)}; the site file says {say(stated)}"
    if away <= _NEAR * stated + _NEAR_LEAST:
        return Check(Code.PRESSURE_UNIT, Word.FITS, f"{seen}.", evidence=evidence)
    cause = _cause(level, stated, scene.plant.atmosphere)
    if cause is not None:
        evidence["likely_cause"] = cause
        return Check(
            Code.PRESSURE_UNIT,
            Word.WRONG,
            f"{seen}. Likely cause: {cause}.",
            "Read a gauge on the line with all taps shut. If it agrees with the site file, put the sensor's unit or "
            "its zero right in the device or in the topic's `unit`; if it agrees with the readings, correct "
            "[supply] pressure. Nothing is converted by guess.",
            evidence,
        )
    word = Word.WRONG if away > _FAR * stated + _FAR_LEAST else Word.DOUBTFUL
    return Check(
        Code.PRESSURE_UNIT,
        word,
        f"{seen}.",
        "Read a gauge on the line with all taps shut, then correct [supply] pressure or the sensor's scaling.",
        evidence,
    )


def _unstated(scene: Scene, evidence: dict[str, Number]) -> Check:
    level = scene.voice.pressure(scene.level.level)
    return Check(
        Code.PRESSURE_UNIT,
        Word.NOT_SEEN,
        f"The line rests at {level}; the site file names no supply pressure to compare it with.",
        "Read a gauge on the line with all taps shut and write it into the site file as [supply] pressure.",
        evidence,
    )


def unit_is_off(scene: Scene) -> bool:
    """Tell whether pressures are so far off that rises of pressure cannot be judged either."""
    stated = scene.site.supply
    if stated is None:
        return False
    return not 1.0 / 3.0 < max(scene.level.level, 1.0) / stated < 3.0


def _cause(level: float, stated: float, atmosphere: float) -> str | None:
    """Return the likeliest reason why a line at ``stated`` reads ``level`` [gauge Pa], None if none is near."""
    near = [(abs(np.log(level / (c.times * stated))), c.why) for c in _CAUSES if level > 0.0]
    best = min(near, default=(np.inf, ""))
    if best[0] <= _FACTOR:
        return best[1]
    if abs(level) < _NOTHING:
        return "no pressure at the sensor (a shut valve, a loose wire, a range that is set wrong)"
    if abs(level - stated - atmosphere) <= _OFFSET:
        return "absolute pressure is sent as gauge, which adds one atmosphere"
    if abs(level - stated + atmosphere) <= _OFFSET:
        return "an atmosphere is taken off a pressure that was gauge already"
    return None


def pressure_signal(scene: Scene) -> Check:
    """Return whether noise and resolution let a burn be seen, and whether the value moves at all."""
    noise, p = scene.level.noise, scene.rows.pressure * _KPA
    rise = _rise(scene)
    need = 2.5 * noise.sd + 0.3 * noise.resolution
    still, heated = _longest_still(scene)
    evidence: dict[str, Number] = {
        "noise_kpa": round(noise.sd / _KPA, 4),
        "resolution_kpa": round(noise.resolution / _KPA, 4),
        "expected_rise_kpa": round(rise / _KPA, 3),
        "longest_still_s": still,
    }
    small = scene.voice.small
    if float(np.ptp(p)) < _STILL or (still > _STILL_LONG and heated):
        seen = f"The reading has not moved at all for {lasting(max(still, 1.0))}."
        do = "Check the sensor: frozen, not connected, or its port is shut or plugged. Open a tap: it must dip."
        return Check(Code.PRESSURE_SIGNAL, Word.WRONG, seen, do, evidence)
    resolution = f", steps of {small(noise.resolution)}" if noise.resolution > 0.0 else ""
    seen = f"Noise of {small(noise.sd)}{resolution}; a usual burn should lift the line by {small(rise)}."
    word = Word.FITS if rise >= _SHOWS * need else Word.DOUBTFUL if rise >= _HARDLY * need else Word.WRONG
    do = (
        "Send more digits, use a sensor of a smaller range (twice the relief setting at most) and let the device "
        "average over the time between readings."
    )
    return Check(Code.PRESSURE_SIGNAL, word, seen, "" if word is Word.FITS else do, evidence)


def _rise(scene: Scene) -> float:
    """Return the rise that a usual burn makes at the tank of the site file. [Pa]."""
    burns = scene.heating.burns
    return scene.expected.climb * (float(np.median(burns)) if len(burns) >= 3 else scene.expected.reheat)


def _longest_still(scene: Scene) -> tuple[float, bool]:
    """Return the longest time [s] with the same reading to the last digit, and whether the heater was on in it."""
    moved = np.flatnonzero(np.abs(np.diff(scene.rows.pressure)) > 1e-9)
    edges = np.concatenate([[0], moved + 1, [len(scene.rows) - 1]])
    lengths = np.diff(scene.rows.time[edges])
    longest = int(np.argmax(lengths))
    part = scene.rows.heater[edges[longest] : edges[longest + 1] + 1]
    return float(lengths[longest]), bool((part > 0.5).any())
