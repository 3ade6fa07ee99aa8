"""Whether the clocks agree, and whether the line at the sensor answers to heat at all."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.answer import FARTHEST
from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import counted, lasting
from monitor.site import HeaterKind

_LATE, _LATE_SLOW = 4, 8  # min that the line may follow: metal and coils hold heat back
_EARLY: Final = -1  # min: no line climbs before it is heated; clocks are read to the minute here
_GAIN: Final = 0.2  # of the index by another lag
_CLEAR: Final = 0.45  # index of a lag that is believed; far ones need more
_CLEAR_FAR: Final = 0.6
_FAR: Final = 30  # min
_ENOUGH_ON: Final = 15.0  # quiet minutes on
_ENOUGH_STARTS: Final = 4
_ANSWERS: Final = 0.45  # index
_SILENT: Final = 0.2
_STRANGE: Final = 0.5  # of the climbs with heat
_RISES: Final = 4  # undisturbed burns that lifted the line, and times those that did not
_STRANGE_LEAST: Final = 30  # min
_CLIMBS: Final = 10.0  # min


def _inside(scene: Scene) -> int:
    return _LATE_SLOW if scene.site.heater.kind in {HeaterKind.INDIRECT, HeaterKind.LOOP} else _LATE


def clock_lag(scene: Scene) -> int | None:
    """Return by how many minutes the clocks are apart (line behind heater), None if nothing says that they are."""
    answer = scene.answer
    if answer is None or scene.heating.starts < _ENOUGH_STARTS:
        return None
    best, index = answer.best(-FARTHEST, FARTHEST)
    usual = answer.best(_EARLY, _inside(scene))[1]
    if _EARLY <= best <= _inside(scene) or index - usual < _GAIN:
        return None
    if index < (_CLEAR if abs(best) <= _FAR else _CLEAR_FAR) or answer.counts(best)[1] < _CLIMBS:
        return None
    return best


def clocks(scene: Scene) -> Check:
    """Return whether the line follows the heater at once, as it must if both have one clock."""
    lag, answer = clock_lag(scene), scene.answer
    if lag is not None:
        side = "after" if lag > 0 else "before"
        hours = (
            " A whole number of hours points at a time zone."
            if abs(lag) > 50 and abs(lag) % 60 in {0, 1, 2, 59}
            else ""
        )
        return Check(
            Code.CLOCKS,
            Word.WRONG,
            f"The line climbs {lasting(60.0 * abs(lag))} {side} the heater is reported on, time after time: the "
            f"clocks of the two devices are apart.{hours}",
            "Set both devices by network time, in UTC or with the offset written, or send no time at all: then the "
            "instant of arrival counts.",
            {"lag_s": 60.0 * lag},
        )
    if answer is None or answer.best(_EARLY, _inside(scene))[1] < _ANSWERS:
        return Check(
            Code.CLOCKS,
            Word.NOT_SEEN,
            "The line does not answer to the heater clearly enough to compare clocks.",
        )
    seen = scene.replay.lag
    lag_s = 60.0 * answer.best(_EARLY, _inside(scene))[0] if seen is None else seen
    text = (
        "The line follows the heater within a minute or two"
        if seen is None
        else (f"The line follows the heater with a lag of {lasting(lag_s)}")
    )
    return Check(Code.CLOCKS, Word.FITS, f"{text}, as metal explains it.", evidence={"lag_s": lag_s})


def sensor_place(scene: Scene) -> Check:
    """Return whether the sensor sits where heat moves the pressure: on the tank's side of a check valve."""
    lag, answer = clock_lag(scene), scene.answer
    evidence: dict[str, Number] = {
        "burns_without_rise": float(scene.replay.flat),
        "burns_with_rise": float(scene.replay.rose),
    }
    if answer is None:
        return _unclear("Noise hides the climb that heat makes minute by minute", evidence)
    at = answer.best(_EARLY, _inside(scene))[0] if lag is None else lag
    on, climbs, off, climbs_off = answer.counts(at)
    index = answer.index(at)
    evidence.update(
        quiet_on_min=on,
        climbs_on_min=climbs,
        quiet_off_min=off,
        climbs_off_min=climbs_off,
        index=round(index, 3),
    )
    if on < _ENOUGH_ON or scene.heating.starts < _ENOUGH_STARTS:
        return _unclear(f"Only {on:.0f} minutes with the heater on and nobody drawing so far", evidence)
    seen = f"The line climbs in {climbs:.0f} of {on:.0f} minutes of heat without a draw"
    if index < _SILENT or not scene.replay.answers:
        return _silent(scene, seen, evidence)
    dips = _dips(scene)
    evidence["draw_dips"] = float(dips)
    seen = f"{seen}, and in {climbs_off:.0f} of {off:.0f} without heat; {counted(dips, 'dip')} of draws"
    strange = answer.strange
    evidence["strange_min"] = float(strange)
    rises = scene.replay.rose >= max(_RISES, _RISES * scene.replay.flat)
    if (index >= _ANSWERS or rises) and (strange < _STRANGE_LEAST or strange <= _STRANGE * climbs):
        return Check(Code.SENSOR_PLACE, Word.FITS, f"{seen}.", evidence=evidence)
    return _strange(seen, strange, evidence)


def _unclear(why: str, evidence: dict[str, Number]) -> Check:
    return Check(
        Code.SENSOR_PLACE,
        Word.NOT_SEEN,
        f"{why}: whether the sensor sits on the tank's side of the check valve cannot be told yet.",
        "Heat once for ten minutes or more while nobody draws: the pressure must climb, and fall when a tap opens.",
        evidence,
    )


def _silent(scene: Scene, seen: str, evidence: dict[str, Number]) -> Check:
    whole = scene.replay.flat + scene.replay.rose
    burns = (
        f"; {scene.replay.flat} of {counted(whole, 'undisturbed burn')} lifted it not at all" if whole else ""
    )
    return Check(
        Code.SENSOR_PLACE,
        Word.WRONG,
        f"{seen}{burns}. The pressure does not answer to heat: the sensor sits on the street side of the check "
        "valve, the valve lets pressure pass, or there is none and the system is not closed. Which of them cannot be "
        "told from here.",
        "Move the sensor to the cold line of the heater, on the same side of the check valve as the tank. If it is "
        "there, have the valve checked. A system that is open to the street cannot be watched by pressure.",
        evidence,
    )


def _strange(seen: str, strange: int, evidence: dict[str, Number]) -> Check:
    why = (
        f"{strange} minutes of steady climbs have no heat near them"
        if strange
        else "heat explains them in part only"
    )
    return Check(
        Code.SENSOR_PLACE,
        Word.DOUBTFUL,
        f"{seen}; {why}: a second heater on the line, a regulator that creeps, a supply that wanders or a signal of "
        "another device look like that.",
        "Is there a second source of heat (solar, a boiler, a second heater)? Report it as on too. Else compare the "
        "reported state with the flame.",
        evidence,
    )


def _dips(scene: Scene) -> int:
    """Return how often the line fell faster than noise: somebody drew."""
    fell = np.diff(scene.rows.pressure) * 1000.0 < -scene.level.noise.step
    return int(np.count_nonzero(fell[1:] & ~fell[:-1]) + (1 if len(fell) and fell[0] else 0))
