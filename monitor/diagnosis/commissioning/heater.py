"""The heater's signal: there, switching, the right way round, and in keeping with the heater's plate."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.heating import Heating
from monitor.diagnosis.commissioning.pressure import unit_is_off
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import counted, lasting, percent
from monitor.site import HeaterKind

DAY: Final = 86400.0
_KNOWN: Final = 0.5  # of the time, and
_WELL_KNOWN: Final = 0.9
_STUCK: Final = DAY  # s of on without a pause
_UPSIDE_DOWN: Final = -0.35
_INSIDE: Final = 8  # min that heat may be late
_CLIMBS: Final = 8.0  # min
_OTHER: Final = 0.5  # of all climbs with the heater off
_KILO: Final = 0.35  # relative distance at which a factor of 1000 is recognised
_INPUT: Final = 0.25  # of the stated input
_CHATTER: Final = 0.3  # K that a burn heats the water: less is no burn of a thermostat
_BOILS: Final = 90.0  # K
_MANY: Final = 30.0  # full recoveries a day
_UNTIRED: Final = 3.0  # full recoveries in one burn

_WIRING: Final = (
    "Watch the flame, the relay or the heater's current, and the reported state, through one whole heat-up; "
    "then put the wiring or the topic's on/off words right."
)


def heater_state(scene: Scene) -> Check:
    """Return whether the state is reported, switches, and has the right sign."""
    seen = scene.heating
    evidence: dict[str, Number] = {
        "known_share": round(seen.share_known, 4),
        "on_share": round(seen.share_on, 4),
        "starts": float(seen.starts),
        "longest_on_s": seen.longest,
    }
    word, what, do = _absent(seen) or _kilowatts(scene) or _stuck(scene) or _related(scene, evidence)
    return Check(Code.HEATER_STATE, word, what, do, evidence)


def _absent(seen: Heating) -> tuple[Word, str, str] | None:
    if seen.known == 0.0:
        return (
            Word.WRONG,
            "The heater's state is not reported. Without it heat cannot be told from the supply and from draws, "
            "and the cushion is not watched at all.",
            "Connect something that tells when the heater heats (relay contact, current clamp, flame signal) and "
            "publish it; `cushionwatch rejected` lists what came but could not be read.",
        )
    if seen.share_known < _KNOWN:
        return (
            Word.WRONG,
            f"The heater's state is known for {percent(seen.share_known)} of the time only.",
            "Let the heater's device send its state at every change and every minute besides.",
        )
    return None


def _kilowatts(scene: Scene) -> tuple[Word, str, str] | None:
    watts, stated = scene.heating.watts, scene.site.heater.input
    if watts is None or stated is None:
        return None
    if abs(np.log(watts * 1000.0 / stated)) < _KILO:
        return (
            Word.WRONG,
            f"The heater is reported at {watts:.3g} W and its plate says {stated / 1000:.3g} kW: kilowatts are sent as "
            "watts.",
            "Send watts, or name the unit in the topic.",
        )
    return None


def _stuck(scene: Scene) -> tuple[Word, str, str] | None:
    seen = scene.heating
    if seen.idle_watts is not None and seen.share_on > 0.99:
        return (
            Word.WRONG,
            f"The heater's power never falls to 0: its least is {seen.idle_watts:.3g} W, which counts as heating, so "
            "it seems on all the time.",
            "Take the power that remains when it idles off before it is published, or send 0/1 above a limit.",
        )
    if seen.starts == 0 and seen.on == 0.0:
        return _never(seen)
    if seen.longest >= _STUCK and scene.site.heater.kind is not HeaterKind.LOOP:
        return (
            Word.WRONG,
            f"The heater is reported on for {lasting(seen.longest)} without a pause: a thermostat pauses.",
            f"The signal may be stuck at on, or of something else (a pump, mains power). {_WIRING}",
        )
    return None


def _never(seen: Heating) -> tuple[Word, str, str]:
    time = lasting(seen.known)
    if seen.known < DAY:
        return (
            Word.NOT_SEEN,
            f"The heater has not been reported on in {time}.",
            "Draw hot water until it starts.",
        )
    word = Word.WRONG if seen.known >= 2 * DAY else Word.DOUBTFUL
    return (
        word,
        f"The heater has not been reported on in {time}: even an idle one reheats about once a day.",
        f"Draw hot water until it starts. If the state stays off, the signal is stuck or another's. {_WIRING}",
    )


def _related(scene: Scene, evidence: dict[str, Number]) -> tuple[Word, str, str]:
    """Hold the report against the climbs of the line."""
    seen = scene.heating
    usual = (
        f"Known for {percent(seen.share_known)} of the time, on for {percent(seen.share_on)} of it in "
        f"{counted(seen.starts, 'burn')}"
    )
    if scene.answer is not None and not unit_is_off(scene):
        lag = scene.answer.best(-1, _INSIDE)[0]
        low = float(np.min([scene.answer.index(n) for n in range(_INSIDE + 1)]))
        on, climbs_on, off, climbs_off = scene.answer.counts(lag)
        evidence.update(
            climbs_on_min=climbs_on, climbs_off_min=climbs_off, quiet_on_min=on, quiet_off_min=off
        )
        if (
            low <= _UPSIDE_DOWN
            and climbs_off >= _CLIMBS
            and scene.answer.best(-1, _INSIDE)[1] < -_UPSIDE_DOWN
        ):
            return (
                Word.WRONG,
                f"{usual}. The line climbs as heat lifts it while the heater is reported off ({climbs_off:.0f} of "
                f"{off:.0f} quiet minutes) and not while it is reported on ({climbs_on:.0f} of {on:.0f}): the signal "
                "is upside down.",
                f"Swap on and off (a normally closed contact does this). {_WIRING}",
            )
    if seen.share_known < _WELL_KNOWN:
        return (
            Word.DOUBTFUL,
            f"{usual}; the rest of the time it is not known.",
            "Let the heater's device send its state at every change and every minute besides.",
        )
    return Word.FITS, f"{usual}.", ""


def heater_energy(scene: Scene) -> Check:
    """Return whether burns and their energy are those of a heater of this input and volume."""
    seen, heater = scene.heating, scene.site.heater
    if len(seen.burns) < 3:
        return Check(
            Code.HEATER_ENERGY,
            Word.NOT_SEEN,
            f"{counted(len(seen.burns), 'whole burn')} so far; three are needed.",
        )
    power = scene.plant.watts if seen.watts is None else seen.watts
    usual = float(np.median(seen.burns))
    kelvin = usual * power * scene.plant.efficiency / (scene.plant.heat_capacity * scene.plant.share_heated)
    most = float(np.max(seen.burns)) * power * scene.plant.efficiency / scene.expected.recovery
    a_day = seen.energy / scene.expected.recovery / max(seen.days, 1e-9)
    evidence: dict[str, Number] = {
        "burns_a_day": round(seen.starts / max(seen.days, 1e-9), 2),
        "median_burn_s": usual,
        "kelvin_a_burn": round(kelvin, 2),
        "recoveries_a_day": round(a_day, 3),
        "watts": seen.watts,
    }
    text = (
        f"{evidence['burns_a_day']:.3g} burns a day, usually of {lasting(usual)}: {kelvin:.2g} K of the heater's "
        f"water a burn, and {a_day:.2g} times its whole water from cold a day"
    )
    missing = [n for n, v in (("input", heater.input), ("volume", heater.volume)) if v is None]
    if missing:
        what = " and ".join(missing)
        return Check(
            Code.HEATER_ENERGY,
            Word.DOUBTFUL,
            f"{text}; the heater's {what} had to be guessed.",
            f"Read {what} from the heater's plate into the site file: the interval becomes much narrower.",
            evidence,
        )
    odd = _odd(scene, kelvin, most, a_day)
    word = Word.FITS if not odd else Word.DOUBTFUL
    do = "Compare [heater] input and volume with the plate, and the signal with the flame or the current."
    return Check(Code.HEATER_ENERGY, word, f"{text}{odd}.", do if odd else "", evidence)


def _odd(scene: Scene, kelvin: float, most: float, a_day: float) -> str:
    """Return what does not go with the plate, empty if all does."""
    watts, stated = scene.heating.watts, scene.site.heater.input
    if watts is not None and stated is not None and abs(watts / stated - 1.0) > _INPUT:
        return f"; {watts / 1000:.3g} kW are reported and the plate says {stated / 1000:.3g} kW"
    if scene.site.heater.kind is HeaterKind.LOOP:
        return ""
    if kelvin < _CHATTER:
        return (
            "; no thermostat starts for so little: the signal may flicker, or the stated input is too small"
        )
    if kelvin > _BOILS or most > _UNTIRED or a_day > _MANY:
        return "; that is more than such a heater takes: the input may be smaller, or the volume larger, than stated"
    return ""
