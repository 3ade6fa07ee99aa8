"""Named cases: one plant each, with what is wrong with it and since when.

Values are those of an ordinary house: 8 L vessel, 60 psi supply and charge, 150 psi relief valve.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from tests.plants.cushion import Course, Fitting, Relief, Sensor, Spans, atmosphere
from tests.plants.faults import Spoil, Steps
from tests.plants.library import Known, library
from tests.plants.trace import DAY, FloatArray

PSI: Final = 6.894757293168361
"""Kilopascals in a pound-force per square inch; NIST SP 811."""

SIXTY: Final = 60.0 * PSI


@dataclass(frozen=True, slots=True)
class Booked:
    """A row of the visit book: seconds since the start, pressures in kPa gauge."""

    time: float
    action: str
    precharge: float
    supply: float
    water_at_valve: str = "no"


@dataclass(frozen=True, slots=True)
class Wrong:
    """A fault from ``began`` [s since the start] on; ``certain``: a good detector must name it."""

    fault: str
    began: float
    certain: bool = True


@dataclass(frozen=True, slots=True)
class Case:
    """A plant, what its site file and visit book say, and what is wrong with it.

    ``site`` overrides keys of the site file, ``"heater.input"`` style; None leaves a key out. ``steps`` are
    those of the supply, ``spoil`` is what a faulty device makes of the readings.
    """

    name: str
    summary: str
    days: float = 14.0
    trace: str = "household_14d"
    vessel_litres: float = 8.0
    charge: Course = SIXTY
    supply: float = SIXTY
    swing: float = 10.0
    wander: float = 4.0
    cold_draws: float = 15.0
    fitting: Fitting = field(
        default_factory=lambda: Fitting(
            gamma=1.4, relaxation_s=90.0, friction_kpa=1.0, relief=Relief(150 * PSI, 150 * PSI)
        )
    )
    sensor: Sensor = field(default_factory=Sensor)
    open_spans: Spans = ()
    visits: tuple[Booked, ...] = (Booked(0.0, "gauged", SIXTY, SIXTY),)
    site: Mapping[str, str | float | None] = field(default_factory=dict)
    wrong: tuple[Wrong, ...] = ()
    steps: Steps = field(default_factory=Steps)
    spoil: Spoil | None = None


def losing(start: float, per_day: float, *, from_day: float = 0.0, altitude: float = 0.0) -> Course:
    """Return a charge that loses the share ``per_day`` of its absolute pressure a day. [kPa gauge]."""
    outside = atmosphere(altitude)

    def at(time: FloatArray) -> FloatArray:
        lost = np.clip(time / DAY - from_day, 0.0, None)
        return np.asarray((start + outside) * (1.0 - per_day) ** lost - outside)

    return at


def jumping(before: float, after: float, when: float) -> Course:
    """Return a charge that changes from ``before`` to ``after`` [kPa gauge] at ``when`` [s]."""

    def at(time: FloatArray) -> FloatArray:
        return np.where(time < when, before, after)

    return at


def share(kept: float, charge: float = SIXTY) -> float:
    """Return the charge [kPa gauge] when only the share ``kept`` of the air is left."""
    return kept * (charge + atmosphere(0.0)) - atmosphere(0.0)


def _slow() -> list[Case]:
    low = Wrong("air_charge_low", 0.0)
    return [
        Case("slow_loss", "loses 1 % of its charge (abs.) a day", 28.0,
             charge=losing(SIXTY, 0.01), wrong=(low,)),
        Case("slow_loss_fast", "loses 2.5 % of its charge (abs.) a day", 28.0,
             charge=losing(SIXTY, 0.025), wrong=(low,)),
        Case("low_from_start", "20 psi of air in a 60 psi system; never gauged", charge=20 * PSI, visits=(),
             site={"tank.precharge": None}, wrong=(low,)),
        Case("low_from_start_gauged", "20 psi of air in a 60 psi system, as gauged", charge=20 * PSI,
             visits=(Booked(0.0, "gauged", 20 * PSI, SIXTY),), site={"tank.precharge": "20 psi"},
             wrong=(low,)),
        Case("refill_day7", "20 psi of air, pumped to 60 psi on day 7", 21.0,
             charge=jumping(20 * PSI, SIXTY, 7.4 * DAY + 1200), open_spans=((7.4 * DAY, 7.4 * DAY + 2400),),
             visits=(Booked(7.4 * DAY + 2400, "refilled", SIXTY, SIXTY),),
             site={"tank.precharge": None}, wrong=(low,)),
    ]  # fmt: skip


def _lost() -> list[Case]:
    torn = jumping(SIXTY, share(0.03), 5.3 * DAY)
    lost = Wrong("air_cushion_lost", 5.3 * DAY)
    start = Wrong("air_cushion_lost", 0.0)
    case = Case("waterlogged_from_start", "no air at all; never gauged", charge=share(0.0), visits=(),
                site={"tank.precharge": None}, wrong=(start,))  # fmt: skip
    plain = replace(case.fitting, relief=Relief(), elastic_ml_per_kpa=1.2)
    stiff = replace(case.fitting, elastic_ml_per_kpa=0.4)
    saw = replace(stiff, relief=Relief(150 * PSI, 130 * PSI))
    return [
        Case("torn_day5", "the diaphragm tears on day 5, 3 % of the air is left", charge=torn, wrong=(lost,)),
        Case("torn_day5_empty", "the diaphragm tears on day 5, no air is left",
             charge=jumping(SIXTY, share(0.0), 5.3 * DAY), wrong=(lost,)),
        replace(case, fitting=plain),
        replace(case, name="relief_plateau", summary="no air; the relief valve holds 150 psi", fitting=stiff),
        replace(case, name="relief_sawtooth", summary="no air; relief valve opens at 150, shuts at 130 psi",
                fitting=saw),
    ]  # fmt: skip


def _healthy() -> list[Case]:
    case = Case("healthy", "nothing is wrong")
    upstream = Sensor(upstream=True)
    high = 1609.0
    pure = replace(case, site={"tank.precharge": "60 psi"})
    return [
        case,
        replace(pure, name="healthy_no_temperature", summary="nothing is wrong; no temperature",
                sensor=Sensor(temperature=False)),
        replace(pure, name="healthy_never_gauged", summary="nothing is wrong; nobody ever gauged the tank",
                visits=(), site={"tank.precharge": None, "heater.efficiency": None}),
        replace(pure, name="sampling_60s", summary="nothing is wrong; one sample a minute",
                sensor=Sensor(every=60.0, jitter=3.0)),
        replace(pure, name="sampling_5s", summary="nothing is wrong; 5 s", days=7.0,
                sensor=Sensor(every=5.0)),
        replace(pure, name="resolution_01psi", summary="nothing is wrong; pressure in steps of 0.1 psi",
                sensor=Sensor(resolution=0.1 * PSI)),
        replace(pure, name="resolution_1psi", summary="nothing is wrong; pressure in whole psi",
                sensor=Sensor(resolution=PSI, every=30.0)),
        replace(pure, name="heater_input_5pct_off", summary="nothing is wrong; the plate says 5 % too much",
                site={"heater.input": "12.3 kW"}),
        replace(pure, name="heater_clock_40s", summary="nothing is wrong; the heater's states come 40 s late",
                sensor=Sensor(heater_clock=40.0)),
        replace(pure, name="altitude", summary="nothing is wrong; 1609 m above the sea",
                site={"altitude": "1609 m"},
                fitting=replace(case.fitting, altitude=high)),
        replace(pure, name="silent_gap", summary="nothing is wrong; no reading from day 4 to day 7",
                sensor=Sensor(gaps=((4.0 * DAY, 7.0 * DAY),)), wrong=(Wrong("blind", 4.0 * DAY),)),
        replace(pure, name="no_heater_state", summary="nothing is wrong; the heater's state is not read",
                sensor=Sensor(heater=False), wrong=(Wrong("blind", 0.0, certain=False),)),
        replace(pure, name="upstream_sensor", summary="the sensor sits on the street side of the check valve",
                sensor=upstream, wander=2.0, wrong=(Wrong("blind", 0.0),)),
    ]  # fmt: skip


def plate(known: Known) -> dict[str, str | float | None]:
    """Return what a site file says of a heater, read from its plate."""
    return {
        "heater.kind": known.kind,
        "heater.volume": f"{known.volume:.0f} L",
        "heater.input": f"{known.input / 1000.0:.2f} kW",
        "heater.efficiency": round(known.efficiency, 2),
        "heater.setpoint": f"{known.setpoint:.0f} degC",
    }


def _others() -> list[Case]:
    """Return cases on other heaters; a vessel of 5 % of the heater's volume."""
    made = []
    for name, summary, loss, wrong in (
        ("electric_family", "electric heater; nothing is wrong", 0.0, ()),
        ("flats", "six flats; nothing is wrong", 0.0, ()),
        ("fast_family", "20 kW coil; loses 0.7 % of its charge (abs.) a day", 0.007, _LOW),
        ("electric_single", "2 kW; loses 1.5 % of its charge (abs.) a day", 0.015, _LOW),
        ("gas_pair", "gas heater; loses 0.8 % of its charge (abs.) a day", 0.008, _LOW),
    ):
        known = library()[name]
        made.append(
            Case(
                f"{name}_{'loss' if wrong else 'healthy'}",
                summary,
                45.0,
                trace=name,
                vessel_litres=round(0.05 * known.volume, 1),
                charge=losing(SIXTY, loss),
                site=plate(known),
                wrong=wrong,
            )
        )
    return made


_LOW: Final = (Wrong("air_charge_low", 0.0),)

GROUPS: Final[tuple[Callable[[], list[Case]], ...]] = (_healthy, _slow, _lost, _others)


def cases() -> dict[str, Case]:
    """Return every case by its name."""
    return {case.name: case for group in GROUPS for case in group()}
