"""Scenarios: several invented sites that are played together.

``demo``: three sites, each with another story (see `demo_sites`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from simulator.catalogue import home, plant_room
from simulator.faults import Fault, Kind
from simulator.files import site_toml
from simulator.spec import DrawSpec, HeaterSpec, PlantSpec, ReliefSpec, SensorSpec, SupplySpec, TankSpec
from simulator.units import BAR

DEMO_DAYS = 42
DEMO_SEED = 2


@dataclass(frozen=True, slots=True)
class DemoSite:
    """A site of a scenario: its plant, its site file and its story in one sentence."""

    spec: PlantSpec
    story: str

    @property
    def id(self) -> str:
        """Name of the site in topics and file names."""
        return self.spec.id

    @property
    def toml(self) -> str:
        """Text of the site file."""
        return site_toml(self.spec)


def _leaking_home() -> PlantSpec:
    spec = home("larkspur-lane", Fault(Kind.SEEP, 14.0, 0.08))
    return replace(
        spec, name="7 Larkspur Lane", timezone="America/Denver", altitude=1600.0, draws=DrawSpec(people=4.0)
    )


def _torn_plant_room() -> PlantSpec:
    spec = plant_room("granary-court", Fault(Kind.TEAR, 20.0, 2.0))
    return replace(spec, name="Granary Court, plant room", timezone="Europe/London")


def _healthy_home() -> PlantSpec:
    return PlantSpec(
        id="mill-cottage", name="Mill Cottage", unit="bar", timezone="Europe/Vienna", altitude=280.0,
        heater=HeaterSpec(
            kind="electric", volume=0.120, input=3e3, efficiency=0.98, setpoint=58.0, standby=1.5, lag=15.0,
            heated=(0.1, 0.4), thermostat=0.45,
        ),
        tank=TankSpec(volume=0.012, precharge=3.5 * BAR),
        supply=SupplySpec(pressure=4.2 * BAR, regulator=3.5 * BAR),
        relief=ReliefSpec(setting=6 * BAR),
        draws=DrawSpec(people=2.0),
        sensors=SensorSpec(resolution=500.0),
    )  # fmt: skip


def demo_sites() -> list[DemoSite]:
    """Return the sites of the demo: one that loses air, one whose diaphragm tears, one that stays well."""
    return [
        DemoSite(_leaking_home(), "From day 14 its tank loses 8 % of its air a day."),
        DemoSite(_torn_plant_room(), "On day 20 the diaphragm of its tank tears."),
        DemoSite(_healthy_home(), "Nothing is wrong here."),
    ]


SCENARIOS: dict[str, Callable[[], list[DemoSite]]] = {"demo": demo_sites}
