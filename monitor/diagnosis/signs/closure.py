"""Whether the line stays closed: growth that goes back to the street, or runs out of a hole behind the valve.

Told from gas that settles (it leaves most of the rise), from bladder friction (a few kPa, and straight), from
draws (steep), from cooling (hours) and from a weeping relief valve (near its setting). Where no rise was ever
seen and none is seen now, nothing tells the sensor's place from a valve that passes all: that stays blindness.
"""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np

from monitor.diagnosis.faults import Fault, Severity
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.after import Coasts
from monitor.diagnosis.signs.coast import Coast
from monitor.diagnosis.signs.sign import Opinion, Scene
from monitor.diagnosis.signs.tally import Account, Tally
from monitor.diagnosis.words import Speaker
from monitor.estimation.belief import normal_cdf
from monitor.estimation.burns import Hour, Mark
from monitor.estimation.plant import Plant
from monitor.estimation.samples import Samples
from monitor.site import HeaterKind, Site, Visit
from monitor.units import from_si

_DAYS: Final = 2 * 86400.0  # the coasts must span: one odd day proves nothing
_LEAST_FALL: Final = 1.0e3  # Pa: what is less may be a sensor that warms with the heater
_HOLE_FALL: Final = 10.0e3  # Pa: friction of a bladder lets the line fall by a few kPa, straight too
_HOLE_SHARE: Final = 0.85  # of the rise: a hole that matters drains all of it
_COOLING: Final = 0.2  # of the heater's power: more is lost by no heater that stands idle
_NEAR_RELIEF: Final = 0.7  # of the relief setting (gauge)
_ALL: Final = 2.5  # times the rise: a burn may begin with the line up already
_SUNK: Final = 0.3  # below the usual level the line is shut off: that is another story
_SUNK_LEAST: Final = 60e3  # Pa
_DRAWN: Final = 3.0  # times a closed line's slope
_LAST: Final = 40  # coasts
_MOST: Final = 0.98  # formulas are not quite the plant's


class Closure:
    """Looks for a check valve that passes and, by the same evidence, for water that runs out of the line."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._speaker = Speaker(site)
        self._coasts = Coasts(plant)
        self._short, self._long = Tally(), Tally()
        self._loop = site.heater.kind is HeaterKind.LOOP
        self._relief = plant.relief
        self._unseen = 0.0  # Pa: a fall that a draw between two rows may hide
        self._rests: list[float] = []  # where the last coasts came to rest [Pa]

    def take(self, mark: Mark, scene: Scene) -> list[Opinion]:
        """Take the next mark; a loop has no street behind it, and cools as soon as its burner is off."""
        if self._loop:
            return []
        found = [both for both in self._coasts.take(mark, scene) if self._tells(both[1])]
        if isinstance(mark, Hour) and self._shut_off(mark.rows):
            return []
        if found and scene.line is not None and isinstance(mark, Hour):
            self._unseen = scene.line.noise.step + _DRAWN * found[0][1].pace * float(
                np.mean(np.diff(mark.rows.time))
            )
        for short, long in found:
            self._short.add(short)
            self._long.add(long)
        return self._opinions() if found else []

    def visit(self, visit: Visit) -> None:
        """Forget what was counted: somebody had the line open."""
        del visit
        self._short.clear()
        self._long.clear()

    def _tells(self, long: Coast) -> bool:
        """Whether the relief valve cannot be what is seen."""
        self._rests = [*self._rests[1 - _LAST :], long.rest]
        return self._relief is None or long.top <= _NEAR_RELIEF * self._relief

    def _shut_off(self, rows: Samples) -> bool:
        """Whether the line was far below its usual level for a tenth of an hour: no supply behind it then."""
        if not self._rests or len(rows) == 0:
            return False
        usual = float(np.quantile(self._rests, 0.9))
        return float(np.quantile(rows.pressure, 0.1)) * 1e3 < usual - max(_SUNK * usual, _SUNK_LEAST)

    def _opinions(self) -> list[Opinion]:
        accounts = self._long.accounts()
        if not accounts:
            return []
        return [
            *self._weighed(accounts[0], [*accounts, *self._short.accounts()], Fault.CHECK_VALVE_PASSING),
            # Only the long ones show whether the fall stops.
            *self._weighed(accounts[0], accounts, Fault.WATER_LOSS),
        ]

    def _weighed(self, last: Account, accounts: list[Account], fault: Fault) -> list[Opinion]:
        """Return an opinion where a fault is certain, or where the last burns refute it."""
        likely = passing if fault is Fault.CHECK_VALVE_PASSING else partial(running, least=self._unseen)
        if _holds(last):
            return [self._opinion(fault, last, min(likely(last), 0.5 * CLEARED))]
        best = max(accounts, key=likely)
        probability = likely(best)
        return [self._opinion(fault, best, probability)] if probability >= CERTAIN else []

    def _opinion(self, fault: Fault, seen: Account, probability: float) -> Opinion:
        words = self._valve if fault is Fault.CHECK_VALVE_PASSING else self._hole
        return Opinion(fault, probability, seen.since, Severity.MEDIUM, words(seen), evidence(seen))

    def _lost(self, seen: Account) -> str:
        say = self._speaker
        return (
            f"Since {say.date(seen.since)} or earlier the pressure that heating builds up is lost again within "
            f"minutes, without a draw: in {seen.count} burns {min(seen.share, 1.0):.0%} of the rise, "
            f"{self._difference(seen.fell)} in the mean. Gas that settles in a tank takes less than a third of a rise."
        )

    def _difference(self, pascal: float) -> str:
        unit = self._speaker.site.unit
        return f"{from_si(pascal, unit):.{2 if unit in {'bar', 'MPa'} else 1}f} {unit}"

    def _valve(self, seen: Account) -> str:
        return (
            f"{self._lost(seen)} The fall slows down towards the supply pressure, with a time constant of about "
            f"{_minutes(seen.tau)}, as water does that flows back to the street past the check valve; a leak would "
            "fall in a straight line, though one that takes most of the growth can look alike. Readings cannot tell "
            "the check valve from an open bypass or a regulator with a built-in bypass. Test: shut the valve towards "
            "the street during a burn without draws; if the pressure then stays up, the water went that way."
        )

    def _hole(self, seen: Account) -> str:
        return (
            f"{self._lost(seen)} It falls in a straight line and stops where the supply comes in, as water does "
            "that runs out of the line: a leak, a tap that drips, a cistern that runs, a relief valve that does "
            "not shut. Against a passing check valve speaks that the fall does not slow down. Readings cannot "
            "tell where it runs. Test: shut the outlets one by one, look at the relief valve's pipe and watch "
            "the water meter with all taps shut."
        )


def passing(seen: Account) -> float:
    """Return the probability that a valve lets growth back to the street."""
    if seen.until - seen.since < _DAYS or seen.fell < _LEAST_FALL:
        return 0.0
    # To the supply, not below it: a valve takes no more than the rise.
    below = float(normal_cdf((_ALL - seen.share) / (seen.share_sd + 0.1)))
    return min(seen.vanishes * seen.valve * below, _MOST)


def running(seen: Account, least: float = 0.0) -> float:
    """Return the probability that water runs out of the line; falls up to ``least`` [Pa] may be draws."""
    told = (
        seen.until - seen.since >= _DAYS and seen.fell >= max(_HOLE_FALL, least) and seen.share >= _HOLE_SHARE
    )
    if not told or seen.run_off < _COOLING:
        return 0.0
    return min(seen.vanishes * seen.hole, _MOST)


def _holds(seen: Account) -> bool:
    """Whether the line holds what heating builds up."""
    return seen.share + 2.0 * seen.share_sd < 0.4


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


def evidence(seen: Account) -> dict[str, float | str | None]:
    """Return the numbers, for and against: kPa, seconds."""
    return {
        "burns": seen.count,
        "share_of_rise_lost": round(seen.share, 3),
        "share_of_rise_lost_sd": round(seen.share_sd, 3),
        "fall_kpa": round(seen.fell / 1e3, 2),
        "fall_in_sds": round(seen.clear, 1),
        "valve_against_hole_log_likelihood": round(seen.bent, 1),
        "time_constant_s": round(seen.tau),
        "slope_kpa_per_min": round(seen.slope * 60.0 / 1e3, 3),
        "slope_over_healthy_rise": round(seen.run_off, 2),
    }
