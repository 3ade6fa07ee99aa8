"""Whether the pressure sensor can be believed: held, beyond the possible, noisy, plugged, or in another unit.

A quiet line, a relief valve that holds its setting and a large soft tank on a coarse sensor stand still too:
what a sensor has shown before, and chance, decide. Drift that the supply might have is left to people.
"""

from __future__ import annotations

from typing import Final

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.signs.heater_expected import climb
from monitor.diagnosis.signs.sensor_drops import Drops
from monitor.diagnosis.signs.sensor_habits import Changed, Habits
from monitor.diagnosis.signs.sensor_held import Held
from monitor.diagnosis.signs.sensor_range import Beyond, Range
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.words import Speaker
from monitor.estimation.burns import Burn, Hour, Mark
from monitor.estimation.plant import Plant
from monitor.site import HeaterKind, Site, Visit

_RELIEF: Final = 0.85  # of the relief setting: above it a valve that opens holds the line still
_DAY: Final = 86400.0
_FLAKY: Final = 3.0 * _DAY  # of rest, after which a sensor that drops out is believed again
_LONGEST: Final = 14.0 * _DAY
_GAUGE: Final = "Compare it with a gauge on the line, and look at its wiring."
_BEYOND: Final = {
    "vacuum": "no water stays in a pipe at such a pressure: a broken wire, or a scale set wrongly",
    "below": "a line in use has no pressure below zero: it looks like a broken wire (3.6 mA or less)",
    "above": "it leapt there within two minutes, which neither heat nor the supply can do: it looks like the end "
    "of the scale (21 mA or more). Until somebody has looked, treat it as real: a relief valve may be stuck",
}


class SensorTrust:
    """Sign of `Fault.PRESSURE_SENSOR_FAULT`."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._site, self._plant = site, plant
        self._speaker = Speaker(site)
        self._held, self._range, self._habits = Held(), Range(plant), Habits()
        self._drops = Drops(plant)
        self._raised: str | None = None
        self._times, self._bad = 0, 0.0  # how often raised, and when last seen wrong

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; burns and hours may tell."""
        if isinstance(mark, Burn):
            self._burn(mark, scene)
        elif isinstance(mark, Hour) and len(mark.rows):
            self._held.take(mark.rows)
            self._held.hour(mark.rows)
            self._range.take(mark.rows)
            self._drops.take(mark.rows)
            self._habits.hour(mark.rows, mark.at)
        else:
            return []
        if self._raised is not None:
            if isinstance(mark, Hour):
                self._habits.keep()
            return self._over(mark.at)
        found = self._stuck() or self._beyond(mark.at) or self._changed(mark.at)
        if found is None:
            return []
        self._raised = str(found.evidence["kind"])
        self._times, self._bad = self._times + 1, mark.at
        self._held.watch_again()
        self._habits.found()
        return [found]

    def visit(self, visit: Visit) -> None:
        """Take note of a visit: line or sensor may be others after it."""
        del visit
        if self._raised is None:
            self._habits.forget()

    def _burn(self, burn: Burn, scene: Scene) -> None:
        rows = burn.rows
        self._held.take(rows)
        if len(rows) > 1:
            level = max(float(rows.pressure[0]) * 1000.0, scene.facts.supply)
            expected = climb(self._site, self._plant, level)
            heated = float(rows.time[len(rows) - 1 - burn.tail] - rows.time[0])
            self._held.burn(burn, expected * heated / 60.0)
            self._habits.burn(burn, expected * heated / 60.0)

    def _stuck(self) -> Opinion | None:
        held, speaker = self._held, self._speaker
        said = (
            f"The pressure has read exactly {speaker.pressure(held.value * 1000.0)} since "
            if held.rows
            else ""
        )
        share = held.by_digits()
        if share is not None:
            why = (
                f"{speaker.moment(held.since)}, {held.rows} readings; before, at least {100.0 * share:.0f} % of the "
                "readings of any hour differed from the one before. "
            )
            return self._stuck_as(said + why, 0.98)
        plant = self._plant
        near = plant.relief is not None and held.value * 1000.0 >= _RELIEF * plant.relief
        burns = None if near else held.by_burns()
        if burns is not None:
            why = f"{speaker.moment(held.since)}, through {burns} heat-ups; heat-ups before always moved it. "
            return self._stuck_as(said + why, 0.97)
        never = held.never(near)
        if never is None:
            return None
        why = (
            f"the first reading, {speaker.moment(held.since)}, through {never} heat-ups each of which should have "
            "moved even a coarse sensor, and through every draw. "
        )
        return self._stuck_as(said + why, 0.95)

    def _stuck_as(self, seen: str, probability: float) -> Opinion:
        held = self._held
        rest = (
            "The sensor, its electronics or the device that reads it repeats an old value; which of them cannot be "
            f"told from here. {_GAUGE} Open a tap: a live sensor moves."
        )
        evidence: dict[str, float | str | None] = {
            "kind": "held",
            "held_kpa": held.value,
            "held_s": held.last - held.since,
            "readings": float(held.rows),
            "heated_s": held.heated,
        }
        return _opinion(probability, held.since, seen + rest, evidence)

    def _beyond(self, at: float) -> Opinion | None:
        found = self._range.beyond(at) or self._drops.seen(at)
        if found is None:
            return None
        evidence: dict[str, float | str | None] = {"kind": found.kind, "value": found.value}
        severity = Severity.HIGH if found.kind == "above" else Severity.MEDIUM
        return _opinion(found.probability, found.since, self._beyond_seen(found), evidence, severity)

    def _beyond_seen(self, found: Beyond) -> str:
        if found.kind == "spikes":
            return (
                f"Single readings far outside what the line can have, {found.value:.0f} today alone, their "
                f"neighbours unmoved: no hydraulics do that, a loose contact or interference does. {_GAUGE}"
            )
        value, since = self._speaker.pressure(found.value * 1000.0), self._speaker.moment(found.since)
        if found.kind == "drops":
            return (
                f"Since {since} the reading has leapt to {value} and back time and again, each time within one "
                "reading and to the same value, the line as before behind it: no draw, valve or surge does that, a "
                f"loose wire or a failing supply of the sensor does. {_GAUGE}"
            )
        return f"The pressure reads {value} since {since}; {_BEYOND[found.kind]}. {_GAUGE}"

    def _changed(self, at: float) -> Opinion | None:
        street = self._site.heater.kind is HeaterKind.LOOP
        found = self._habits.changed() or self._habits.loud() or (None if street else self._habits.mute(at))
        if found is None:
            return None
        evidence: dict[str, float | str | None] = {
            "kind": found.kind,
            "before_kpa": found.before / 1000.0,
            "now_kpa": found.now / 1000.0,
        }
        return _opinion(found.probability, found.since, self._changed_seen(found), evidence)

    def _changed_seen(self, found: Changed) -> str:
        since, speaker = self._speaker.moment(found.since), self._speaker
        before, now = speaker.pressure(found.before), speaker.pressure(found.now)
        if found.kind == "noise":
            times = found.now / max(found.before, 1.0)
            return (
                f"Since {since} the readings scatter {times:.0f} times as much as before, at every hour of the day: "
                f"a loose contact, moisture or interference. A new pump close by could shake the line too. {_GAUGE}"
            )
        if found.kind == "loud":
            return (
                f"Since {since} the readings scatter by {now} from one to the next, hour after hour, more than "
                f"water in a pipe can: a loose contact, moisture or interference. {_GAUGE}"
            )
        if found.kind == "mute":
            return (
                f"Since {since} the readings have shown neither a draw nor one of the heat-ups, which should have "
                f"moved them by {before} and moved them by {now}, nor the unrest that every supply has: the sensor's "
                "connection to the line looks plugged, frozen or shut. A sensor on the street side would follow the "
                "street. Open a tap: a sensor with a free line falls at once."
            )
        if found.kind == "plugged":
            return (
                f"Since {since} the pressure shows no draws any more, and heat-ups move it by {now} where they "
                f"moved it by {before}, while the heater burns as before: the sensor's connection to the line looks "
                "plugged or shut. Open a tap: a sensor with a free line falls at once."
            )
        return (
            f"Since {since} the line rests at {now} where it rested at {before}, and heat-ups have grown in the "
            f"same ratio ({found.kind}, the ratio of two units of pressure): sensor or device report another unit. "
            "A real change of pressure would not change heat-ups so. Correct the unit in the settings."
        )

    def _over(self, at: float) -> list[Opinion]:
        kind = self._raised
        if kind == "drops":
            over = True
        elif kind == "held":
            over = self._held.lives_again()
        elif kind in {"vacuum", "below", "above", "spikes"}:
            over = self._range.possible_again(at)
        else:
            over = self._habits.usual_again(str(kind))
        if self._wrong(at) or not over:
            return []
        self._raised = None
        self._drops.clear()
        return [_opinion(0.02, at, "The readings are as they should be again.", {"kind": kind})]

    def _wrong(self, at: float) -> bool:
        """Whether the sensor was seen wrong of late; the more often it was, the longer that counts."""
        held = self._held
        if held.by_digits() is not None or held.by_burns() is not None or self._range.beyond(at) is not None:
            self._bad = at
        self._bad = max(self._bad, self._drops.last)
        rest = _FLAKY if self._drops.last > 0.0 else _DAY
        return at - self._bad < min(rest * 2.0 ** (self._times - 1), _LONGEST)


def _opinion(
    probability: float,
    began: float,
    seen: str,
    evidence: dict[str, float | str | None],
    severity: Severity = Severity.MEDIUM,
) -> Opinion:
    return Opinion(Fault.PRESSURE_SENSOR_FAULT, probability, began, severity, seen, evidence)
