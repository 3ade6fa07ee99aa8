"""Plants with every kind of fault, and healthy ones that look odd; the second lottery of the bench.

Scenarios go round with the seed, so that each has its share of any run; all else is drawn wide. Tanks are
large enough unless that is the fault. Seeds 1000 to 1999 are held out as in `lottery`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.bench import lottery, odd
from tests.bench.lottery import Ticket, Truth, log_uniform
from tests.plants import faults
from tests.plants.cases import PSI, Booked, Case
from tests.plants.cushion import Fitting, Relief, atmosphere, course
from tests.plants.leaks import Leaks
from tests.plants.library import Known, library
from tests.plants.size import peak_of, tellable, vessel_for
from tests.plants.trace import DAY, Trace

LIMIT: Final = 80.0 * PSI
"""Highest pressure of a line at rest [kPa]: the model plumbing codes of North America."""


@dataclass(slots=True)
class Draft:
    """A plant on the drawing board: what a scenario may change before it is built."""

    rng: np.random.Generator
    known: Known
    days: float
    supply: float
    altitude: float
    fitting: Fitting
    air: lottery.Charge
    vessel: float
    truth: Truth
    case: Case
    first_day: float
    made: Callable[[], Trace] | None = None
    relief_said: float | None = None

    @property
    def outside(self) -> float:
        """Return the pressure of the air [kPa]."""
        return atmosphere(self.altitude)

    @property
    def give(self) -> float:
        """Return what the line at rest takes [mL/kPa]."""
        gas = self.vessel * 1000.0 * self.supply / (self.supply + self.outside) * 0.97
        return self.fitting.elastic_ml_per_kpa + gas / (self.supply + self.outside)

    def began(self) -> float:
        """Return when a fault begins [s]: from the start, or within the first 60 % of the run."""
        late = float(self.rng.uniform(3.0, 0.6 * self.days)) * DAY
        return 0.0 if self.rng.random() < 0.35 else late

    def leak(self, leaks: Leaks) -> None:
        """Build leaks into the line."""
        self.fitting = replace(self.fitting, leaks=leaks)

    def spoil(self, spoil: faults.Spoil) -> None:
        """Build a faulty device in."""
        self.case = replace(self.case, spoil=spoil)


Scenario = Callable[[Draft], None]


def _charge(kind: str, code: str) -> Scenario:
    def plan(d: Draft) -> None:
        healthy = d.supply * float(d.rng.uniform(0.93, 1.02))
        d.air = lottery.charge(kind, d.rng, d.days, supply=d.supply, healthy=healthy, altitude=d.altitude)
        d.truth = Truth(code, d.air.wrong[0].began if d.air.wrong else 0.0)

    return plan


def _high_charge(d: Draft) -> None:
    more = max(d.supply * float(d.rng.uniform(0.15, 0.6)), 60.0)
    d.fitting = replace(d.fitting, relief=Relief(150 * PSI, 150 * PSI))
    d.air = lottery.Charge(d.supply + more)
    d.truth = Truth("air_charge_high", also=frozenset({"tank_undersized"}))


def _small_tank(d: Draft) -> None:
    wanted = float(d.rng.uniform(1.0, 1.4)) * d.fitting.relief.setting
    d.vessel = vessel_for(d.known, d.supply, wanted, d.fitting, shell=d.fitting.shell)
    d.truth = Truth("tank_undersized")


def _high_supply(d: Draft) -> None:
    d.supply = LIMIT * float(d.rng.uniform(1.12, 1.45))
    d.fitting = replace(d.fitting, relief=Relief(150 * PSI, 150 * PSI))
    d.air = lottery.Charge(d.supply * float(d.rng.uniform(0.93, 1.02)))
    d.truth = Truth("supply_pressure_high", also=frozenset({"tank_undersized"}))


def _creep(d: Draft) -> None:
    leaks = faults.creeping(d.rng, d.supply, d.began())
    d.leak(leaks)
    head = leaks.street - d.supply
    rise = head * -np.expm1(-leaks.creep * 8.0 * 3600.0 / d.give)
    also = {"supply_pressure_high"} if leaks.street > LIMIT else set()
    # A check valve keeps the highest supply since the last draw: so far any line climbs in a night.
    kept = 0.5 * d.case.swing + 2.0 * d.case.wander
    d.truth = Truth("regulator_creep", leaks.began, frozenset(also), grey=bool(rise < max(20.0, kept)))


def _passing(*, at_once: bool) -> Scenario:
    def plan(d: Draft) -> None:
        began = d.began()
        d.leak(faults.passing(d.rng, d.give, began, at_once=at_once))
        also = frozenset({"blind"}) if at_once else frozenset()
        d.truth = Truth("check_valve_passing", began, also)

    return plan


def _relief(d: Draft) -> None:
    # A burn between draws makes a third of a full recovery at most; the valve is to open in days, not months.
    wanted = d.supply + float(d.rng.uniform(150.0, 300.0))
    d.fitting = replace(d.fitting, relief=Relief(wanted, wanted * float(d.rng.uniform(0.85, 1.0))))
    d.vessel = vessel_for(d.known, d.supply, wanted, d.fitting) * float(d.rng.uniform(0.05, 0.25))
    d.truth = Truth("relief_discharging", also=frozenset({"tank_undersized"}))


def _worn_relief(d: Draft) -> None:
    d.relief_said = d.fitting.relief.setting
    opens = d.supply + 0.5 * d.case.swing + 2.0 * d.case.wander + float(d.rng.uniform(8.0, 40.0))
    d.fitting = replace(d.fitting, relief=Relief(opens, opens * float(d.rng.uniform(0.92, 1.0))))
    d.truth = Truth("relief_discharging", also=frozenset({"water_loss"}))


def _sensor(make: Callable[[Draft, float], faults.Spoil]) -> Scenario:
    def plan(d: Draft) -> None:
        began = d.began()
        d.spoil(make(d, began))
        d.truth = Truth("pressure_sensor_fault", began)

    return plan


def _shifted(d: Draft) -> None:
    began = max(d.began(), DAY)
    kpa = float(d.rng.choice([-1.0, 1.0]) * d.rng.uniform(40.0, 200.0))
    d.spoil(faults.offset(began, kpa))
    d.truth = Truth("pressure_sensor_fault", began, frozenset({"supply_pressure_high"}), grey=True)


def _heater(make: Callable[[Draft, float], faults.Spoil]) -> Scenario:
    def plan(d: Draft) -> None:
        began = d.began()
        d.spoil(make(d, began))
        d.truth = Truth("heater_state_fault", began)

    return plan


def _apart(d: Draft) -> None:
    began = d.began()
    seconds = float(d.rng.choice([-1.0, 1.0])) * log_uniform(d.rng, 60.0, 600.0)
    d.spoil(faults.apart(began, seconds))
    d.truth = Truth("heater_state_fault", began, grey=abs(seconds) < 120.0)


def _wire(d: Draft, began: float) -> faults.Spoil:
    # 3.5 and 21.5 mA of 4 to 20 (NE 43: under 3.6, over 21), or 0 and 5 V of 0.5 to 4.5 V.
    span = float(d.rng.choice([600.0, 1000.0, 1200.0, 1600.0]))
    value = span * float(d.rng.choice([-0.03125, 1.09375, -0.125, 1.125]))
    return faults.out_of_range(began, value)


def _drops(d: Draft, began: float) -> faults.Spoil:
    value = float(d.rng.choice([0.0, -31.25, -125.0, 1125.0]))
    share, minutes = log_uniform(d.rng, 0.02, 0.5), log_uniform(d.rng, 0.5, 60.0)
    return faults.dropping(began, value, share, minutes)


def _unrelated(d: Draft, began: float) -> faults.Spoil:
    return faults.unrelated(began, log_uniform(d.rng, 5.0, 60.0), log_uniform(d.rng, 30.0, 300.0))


def _upstream(d: Draft) -> None:
    d.case = replace(d.case, sensor=replace(d.case.sensor, upstream=True))
    d.truth = Truth("blind", also=frozenset({"check_valve_passing"}))


SCENARIOS: Final[dict[str, Scenario]] = {
    "slow_loss": _charge("slow_loss", "air_charge_low"),
    "healthy": lambda _: None,
    "torn": _charge("torn", "air_cushion_lost"),
    "sensor_stuck": _sensor(lambda _, began: faults.stuck(began)),
    "steps": odd.steps,
    "passing": _passing(at_once=False),
    "heater_inverted": _heater(lambda _, began: faults.inverted(began)),
    "low": _charge("low", "air_charge_low"),
    "holiday": odd.holiday,
    "creep": _creep,
    "sensor_frozen": _sensor(lambda d, began: faults.frozen(began, log_uniform(d.rng, 12.0, 72.0))),
    "two_heaters": odd.two_heaters,
    "high_charge": _high_charge,
    "heater_off": _heater(lambda _, began: faults.held_at(began, 0.0)),
    "setpoint": odd.setpoint,
    "leak_shut": odd.leak_shut,
    "small_tank": _small_tank,
    "swing": odd.swing,
    "high_supply": _high_supply,
    "sensor_noisy": _sensor(lambda d, began: faults.noisy(began, float(d.rng.uniform(30.0, 150.0)))),
    "recirculation": odd.recirculation,
    "waterlogged": _charge("waterlogged", "air_cushion_lost"),
    "heater_on": _heater(lambda _, began: faults.held_at(began, 1.0)),
    "season": odd.seasonal,
    "passing_at_once": _passing(at_once=True),
    "sensor_range": _sensor(_wire),
    "flats": odd.flats,
    "leak_loop": odd.leak_loop,
    "heater_apart": _apart,
    "silent": _charge("silent", "blind"),
    "sensor_drops": _sensor(_drops),
    "loop": odd.sound_loop,
    "relief_worn": _worn_relief,
    "heater_unrelated": _heater(_unrelated),
    "refill": _charge("refill", "air_charge_low"),
    "sensor_offset": _shifted,
    "upstream": _upstream,
    "relief_small": _relief,
}


def _draft(rng: np.random.Generator, longest: float) -> Draft:
    traces = library()
    known = traces[str(rng.choice(sorted(traces)))]
    altitude = float(rng.choice([0.0, rng.uniform(0.0, 2000.0)]))
    supply = float(rng.uniform(40.0, 75.0) * PSI)
    fitting = replace(lottery.fitting(rng, supply, altitude), shell=float(rng.uniform(0.6, 1.1)))
    days = float(round(rng.uniform(0.6, 1.0) * longest, 1))
    case = Case(
        "",
        "",
        days,
        swing=log_uniform(rng, 5.0, 70.0),
        wander=log_uniform(rng, 1.0, 8.0),
        cold_draws=float(rng.uniform(0.0, 15.0)),
        sensor=lottery.sensor(rng, (), upstream=False),
        visits=(),
    )
    air = lottery.Charge(supply * float(rng.uniform(0.93, 1.02)))
    first = float(rng.integers(0, 25))
    return Draft(rng, known, days, supply, altitude, fitting, air, 0.0, Truth(""), case, first)


def _vessel(d: Draft) -> float:
    """Return a vessel as houses have them, but large enough."""
    enough = vessel_for(d.known, d.supply, 0.8 * d.fitting.relief.setting, d.fitting)
    return max(d.known.volume * log_uniform(d.rng, 0.03, 0.11), enough * float(d.rng.uniform(1.0, 1.6)))


def draw(seed: int, longest: float = 35.0) -> Ticket:
    """Return the plant of a seed; ``longest`` days are the longest run."""
    rng = np.random.default_rng([seed, 211])
    scenario = list(SCENARIOS)[seed % len(SCENARIOS)]
    d = _draft(rng, longest)
    d.vessel = _vessel(d)
    before = (d.vessel, d.supply, d.known)
    SCENARIOS[scenario](d)
    if (d.vessel, d.supply, d.known) != before and d.vessel == before[0]:
        d.vessel = _vessel(d)
    return _built(seed, scenario, d)


def _built(seed: int, scenario: str, d: Draft) -> Ticket:
    start = float(course(d.air.course, np.array([3600.0]))[0])
    gauged = bool(d.rng.random() < 0.5)
    visits = list(d.air.visits)
    if gauged:
        found = max(start + d.rng.normal(0.0, 0.5 * PSI), 0.0)
        visits.insert(0, Booked(0.0, "gauged", found, lottery.gauge(d.supply, d.rng)))
    case = replace(
        d.case,
        name=f"seed-{seed}",
        summary=f"{scenario} on {d.known.name}",
        trace=d.known.name,
        vessel_litres=round(d.vessel, 1),
        charge=d.air.course,
        supply=d.supply,
        fitting=d.fitting,
        sensor=replace(d.case.sensor, gaps=d.air.gaps),
        open_spans=d.air.open_spans,
        visits=tuple(visits),
        wrong=d.air.wrong,
    )
    said = lottery.site(d.rng, case, d.known, d.altitude, max(start, 0.0) if gauged else None)
    if d.relief_said is not None and said["relief.setting"] is not None:
        said["relief.setting"] = f"{d.relief_said / PSI:.0f} psi"
    case = replace(case, site={**said, **d.case.site})
    truth = _weighed(d)
    if truth.code == "tank_undersized":
        truth = replace(truth, grey=not _tellable(d, said))
    return Ticket(seed, scenario, d.known, d.first_day, case, gauged, d.supply, d.air.rate, truth, d.made)


def _tellable(d: Draft, said: Mapping[str, str | float | None]) -> bool:
    """Return whether a small tank can be told from a sound one by what the site file says."""
    if said["tank.volume"] is None or said["relief.setting"] is None:
        return False
    limit = 0.9 * d.fitting.relief.setting
    return tellable(
        d.known, d.supply, d.vessel, limit, d.fitting, setpoint=said["heater.setpoint"] is not None
    )


def _weighed(d: Draft) -> Truth:
    """Return the truth; a tank that, well charged, is near its limit may be called too small."""
    if d.relief_said is not None:
        return d.truth
    near = peak_of(d.known, d.supply, d.vessel, 0.97 * d.supply, d.fitting)
    if near > 0.85 * d.fitting.relief.setting and d.truth.code != "tank_undersized":
        return replace(d.truth, also=d.truth.also | {"tank_undersized"})
    return d.truth
