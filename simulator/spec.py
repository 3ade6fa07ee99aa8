"""What a simulated plant is made of: SI units, pressures gauge [Pa], times of faults in days."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from simulator.faults import Fault

STEEL = 11.7e-6
"""Linear expansion of carbon steel. [1/K] (6.5e-6 per °F; ASHRAE HVAC Systems and Equipment 2000, ch. 12)"""


@dataclass(frozen=True, slots=True)
class HeaterSpec:
    """A storage heater with ``nodes`` layers (1: mixed), heat entering over ``heated`` (from, to; 0 bottom).

    ``lag``: thermal lag of burner, metal and flue [s]; heat goes on into the water after burner-off.
    ``thermostat``: height of its sensor, 0 bottom to 1 top; ``probe``: height of the reported temperature.
    """

    kind: str = "storage"
    volume: float = 0.150
    input: float = 11.7e3
    efficiency: float = 0.77
    setpoint: float = 54.0
    differential: float = 5.5
    nodes: int = 8
    heated: tuple[float, float] = (0.0, 0.1)
    lag: float = 45.0
    thermostat: float = 0.25
    probe: float = 0.95
    standby: float = 3.6
    destratify: float = 2e-6
    room: float = 18.0
    start: float | None = None


@dataclass(frozen=True, slots=True)
class TankSpec:
    """The expansion tank. ``precharge`` at the start, as a gauge on the relieved tank reads it [Pa].

    ``gas_lag``: time constant of the gas temperature towards the wall [s]; ``friction``: pressure that the
    bladder holds back [Pa]; ``seep``: ordinary loss of a sound tank [Pa/day].
    """

    volume: float = 0.008
    precharge: float = 413.7e3
    gas_lag: float = 60.0
    friction: float = 0.0
    seep: float = 30.0


@dataclass(frozen=True, slots=True)
class SupplySpec:
    """The street and the way in.

    ``check``: ``ideal``, ``absent`` or ``leaking`` (with ``passing`` [m³/(s Pa)] backwards). ``regulator``:
    set pressure of a pressure reducing valve, None where there is none. Flow costs
    ``laminar``·q + ``turbulent``·q² between street and line.
    """

    pressure: float = 413.7e3
    swing: float = 15e3
    noise: float = 6e3
    use: float = 12e3
    cold_mean: float = 11.0
    cold_swing: float = 4.5
    check: str = "ideal"
    passing: float = 0.0
    cracking: float = 3e3
    regulator: float | None = None
    laminar: float = 1e8
    turbulent: float = 9e11


@dataclass(frozen=True, slots=True)
class LineSpec:
    """The closed line: ``compliance`` [m³/Pa] of shell, pipes and water; ``trapped`` air at 1 atm [m³].

    ``branch``: pressure lost between tank and sensor by drawn flow [Pa/(m³/s)²]; ``hammer``: spike when a
    tap closes [Pa/(m³/s)].
    """

    compliance: float = 1.6e-10
    trapped: float = 0.0
    branch: float = 2.5e11
    hammer: float = 6e8


@dataclass(frozen=True, slots=True)
class ReliefSpec:
    """A relief valve: ``tolerance`` is its own error of opening; ``style`` is ``plateau`` or ``saw``."""

    setting: float = 1034.2e3
    tolerance: float = -0.02
    reseat: float = 0.9
    style: str = "saw"


@dataclass(frozen=True, slots=True)
class DrawSpec:
    """Who draws water: ``household``, ``building``, ``none`` or ``list``.

    ``people`` (per flat), ``flats``; ``holidays``: spans of days without draws; ``events`` of a list:
    (start [s], duration [s], hot flow [m³/s], cold flow [m³/s]), counted from the start of the run.
    """

    kind: str = "household"
    people: float = 3.0
    flats: int = 1
    holidays: tuple[tuple[float, float], ...] = ()
    events: tuple[tuple[float, float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """The devices: sampling ``interval`` [s] with ``jitter`` [s], noise and resolution [Pa].

    ``place``: ``line`` or ``upstream`` (street side of the check valve). ``heater_clock``: how much the
    heater device's clock is ahead [s]; ``loss``: share of samples lost at random; ``beat``: longest
    silence of the heater and temperature devices over MQTT [s].
    """

    interval: float = 10.0
    jitter: float = 0.0
    noise: float = 0.7e3
    resolution: float = 689.5
    offset: float = 0.0
    place: str = "line"
    loss: float = 0.0
    heater_clock: float = 0.0
    heater: str = "state"
    temperature: bool = True
    beat: float = 60.0


@dataclass(frozen=True, slots=True)
class PlantSpec:
    """One site: what stands there, what is drawn, what goes wrong and when."""

    id: str
    name: str = ""
    altitude: float = 100.0
    timezone: str = "UTC"
    unit: str = "psi"
    heater: HeaterSpec = field(default_factory=HeaterSpec)
    tank: TankSpec = field(default_factory=TankSpec)
    supply: SupplySpec = field(default_factory=SupplySpec)
    line: LineSpec = field(default_factory=LineSpec)
    relief: ReliefSpec = field(default_factory=ReliefSpec)
    draws: DrawSpec = field(default_factory=DrawSpec)
    sensors: SensorSpec = field(default_factory=SensorSpec)
    faults: tuple[Fault, ...] = ()

    @property
    def atmosphere(self) -> float:
        """Ambient pressure at the altitude. [Pa] (ISO 2533 standard atmosphere, troposphere)."""
        return float(101325.0 * (1.0 - 2.25577e-5 * self.altitude) ** 5.25588)

    def utc_offset(self, epoch: float) -> float:
        """Return how far local time is ahead of UTC at ``epoch``, kept for a whole run. [s]."""
        when = datetime.fromtimestamp(epoch, ZoneInfo(self.timezone))
        return (when.utcoffset() or timedelta()).total_seconds()
