"""How long each fault takes to be raised and to end, and how soon somebody has to act: one row per fault.

The delays and dead bands are what the diagnosis does (`rules`, `watch`, `sight` and the signs); here they stand side
by side, in words, with the reason. A test holds them against the figures there. ISA-18.2 starts pressure alarms with
a dead band of 2 % of the span and a delay of 15 s (from memory): that suits a reading that is compared with a limit.
No fault here is one reading: each is a conclusion from heating windows, of which a site gives a few a day, so delays
are counted in windows and days, and dead bands in probability.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.rationale import rationale_of

HOUR: Final = 3600.0
DAY: Final = 86400.0

CHATTERS: Final = 3
"""Raises of one fault at one site within `CHATTER_SPAN` from which it chatters; the standard's number."""

CHATTER_SPAN: Final = 7.0 * DAY
"""The standard counts them in a minute, for alarms that a reading can raise each second. A fault here needs windows to
be raised and windows to end, about a day for both, so nothing could ever chatter in a minute. A week is seven such
turns, and holds weekdays and a week-end: a fault of one week-end only is no chatter. [s]"""

CHATTER_HOLD: Final = DAY
"""How long a fault that chatters must stand before people are told again: it does not come and go then. [s]"""

FLEETING: Final = DAY
"""A fault that was over sooner than this could not have been met by anyone who was not on site. [s]"""

STALE: Final[Mapping[Severity, float]] = {
    Severity.HIGH: 2.0 * DAY,
    Severity.MEDIUM: 14.0 * DAY,
    Severity.LOW: 30.0 * DAY,
}
"""Age from which a standing event is stale. The standard's 24 h are for operators at a desk; here somebody drives
there, so it is the longest time to respond of that priority. [s]"""

LONGEST_SHELF: Final[Mapping[Severity, float]] = {
    Severity.HIGH: DAY,
    Severity.MEDIUM: 7.0 * DAY,
    Severity.LOW: 30.0 * DAY,
}
"""How long an event may be shelved at a time: half the time to respond, so that it comes back before that is over; what
is low waits for a visit that comes by, a month. The standard wants a limit and names none. [s]"""

URGENT_SHELF: Final = 8.0 * HOUR
"""How long a second confirmation keeps an urgent event quiet: a shift of the person who is there. [s]"""


@dataclass(frozen=True, slots=True)
class Timing:
    """One fault: when it is raised, when it ends, what lies between, and why; ``respond_within`` in s."""

    raised: str
    ended: str
    dead_band: str
    why: str
    respond_within: float


_PROBABLE: Final = "raised from 95 %, ended below 30 %"
_NO_BAND: Final = "none: a silence is or is not"

TIMINGS: Final[Mapping[Fault, Timing]] = {
    Fault.AIR_CHARGE_LOW: Timing(
        raised="3 windows in a row",
        ended="3 windows in a row to the contrary, none set aside",
        dead_band=_PROBABLE,
        why="air is lost over weeks; one odd window must not call anybody out",
        respond_within=14 * DAY,
    ),
    Fault.AIR_CUSHION_LOST: Timing(
        raised="2 windows in a row, or 1 that ends in a discharge",
        ended="3 windows in a row to the contrary, none set aside",
        dead_band=_PROBABLE,
        why="a torn diaphragm is there at once and stresses the heater each time: one window fewer",
        respond_within=2 * DAY,
    ),
    Fault.AIR_CHARGE_HIGH: Timing(
        raised="several burns that are stiff up to one pressure, or 2 where a gauge has read it",
        ended="burns without that knee, kept for 10 days",
        dead_band=_PROBABLE,
        why="until burns have risen past the knee the line looks like one without a cushion",
        respond_within=30 * DAY,
    ),
    Fault.TANK_UNDERSIZED: Timing(
        raised="10 windows over 4 days",
        ended="when facts of the site or the supply make it unlikely",
        dead_band=_PROBABLE,
        why="a tank does not shrink: there is time, and a new tank costs money",
        respond_within=30 * DAY,
    ),
    Fault.SUPPLY_PRESSURE_HIGH: Timing(
        raised="5 quarters of a day with draws, over a day at least",
        ended="the same number below the limit",
        dead_band=_PROBABLE,
        why="networks swing by day and night; only levels over all hours count",
        respond_within=14 * DAY,
    ),
    Fault.REGULATOR_CREEP: Timing(
        raised="rests that climb on 3 days",
        ended="rests that stand still, weighed for 8 days",
        dead_band=_PROBABLE,
        why="gas that warms after a draw climbs too, but not after each one, day and night",
        respond_within=14 * DAY,
    ),
    Fault.CHECK_VALVE_PASSING: Timing(
        raised="falls after burns over 2 days",
        ended="burns after which the line stays up",
        dead_band=_PROBABLE,
        why="one odd day with a tap that drips proves nothing",
        respond_within=14 * DAY,
    ),
    Fault.RELIEF_DISCHARGING: Timing(
        raised="1 burn whose line stands for 90 s at 90 % of the setting or more",
        ended="3 burns without it, and a day",
        dead_band="opens from 90 % of the setting, shut again down to 75 %",
        why="the one fault that may be a danger today: no second burn is waited for",
        respond_within=DAY,
    ),
    Fault.WATER_LOSS: Timing(
        raised="3 burns that each sink lower, or days of a filling that goes down",
        ended="the line rests at its usual level again",
        dead_band=_PROBABLE,
        why="a line that cools with its supply shut sinks as well, and comes back with the next burn",
        respond_within=DAY,
    ),
    Fault.PRESSURE_SENSOR_FAULT: Timing(
        raised="hours to days, by what is wrong with it",
        ended="a day of rest; 3 days where it drops out now and then",
        dead_band=_PROBABLE,
        why="a loose wire comes back for hours; a sensor that lied is not believed at once",
        respond_within=7 * DAY,
    ),
    Fault.HEATER_STATE_FAULT: Timing(
        raised="4 burns that do not fit; a day on, or a day and a half off without a pause",
        ended="4 burns that fit",
        dead_band=_PROBABLE,
        why="a draw hides a burn, and a house on holiday heats little: several are needed",
        respond_within=7 * DAY,
    ),
    Fault.BLIND: Timing(
        raised="24 h without readings or without evidence",
        ended="readings are back; where the evidence was missing, a clean window",
        dead_band=_NO_BAND,
        why="routers restart and people shower; what comes back within the day needs no visit",
        respond_within=7 * DAY,
    ),
}


def respond_within(finding: Finding) -> float:
    """Return by when, after it was raised, somebody has to have taken a finding, in seconds."""
    row = TIMINGS[finding.fault].respond_within
    return min(row, DAY) if rationale_of(finding).urgent else row


def longest_shelf(finding: Finding) -> float:
    """Return how long an event of this finding may be shelved at a time, in seconds."""
    return URGENT_SHELF if rationale_of(finding).urgent else LONGEST_SHELF[finding.severity]
