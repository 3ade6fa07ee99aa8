"""Invented plants by name: each call builds a fresh spec, healthy ones first, then one fault at a time.

Change any of them with `dataclasses.replace`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from simulator.faults import Fault, Kind
from simulator.spec import (
    DrawSpec,
    HeaterSpec,
    LineSpec,
    PlantSpec,
    ReliefSpec,
    SensorSpec,
    SupplySpec,
    TankSpec,
)
from simulator.units import BAR, PSI

ONSET = 10.0  # day on which the faults of this catalogue begin


def home(site: str = "home", *faults: Fault) -> PlantSpec:
    """Return a family home: 150 L heater of 11.7 kW, 8 L tank at 60 psi, relief valve 150 psi."""
    return PlantSpec(
        id=site, name="Family home", unit="psi",
        tank=TankSpec(volume=0.008, precharge=60 * PSI),
        supply=SupplySpec(pressure=60 * PSI),
        relief=ReliefSpec(setting=150 * PSI),
        faults=faults,
    )  # fmt: skip


def plant_room(site: str = "plant-room", *faults: Fault) -> PlantSpec:
    """Return a plant room for 8 flats: 500 L heater of 60 kW, 50 L tank at 4 bar, relief valve 7 bar."""
    return PlantSpec(
        id=site, name="Plant room of eight flats", unit="bar", altitude=40.0,
        heater=HeaterSpec(
            volume=0.5, input=60e3, efficiency=0.9, setpoint=60.0, standby=6.0, lag=60.0, heated=(0.0, 0.3)
        ),
        tank=TankSpec(volume=0.05, precharge=4 * BAR, gas_lag=90.0),
        supply=SupplySpec(pressure=4.1 * BAR, turbulent=6e10, laminar=3e7),
        line=LineSpec(compliance=6e-10, branch=1.5e10, hammer=1.5e8),
        relief=ReliefSpec(setting=7 * BAR, style="plateau"),
        draws=DrawSpec(kind="building", people=2.0, flats=8),
        sensors=SensorSpec(resolution=1e3, noise=0.8e3),
        faults=faults,
    )  # fmt: skip


def _with_supply(spec: PlantSpec, **changes: object) -> PlantSpec:
    return replace(spec, supply=replace(spec.supply, **changes))  # type: ignore[arg-type]


def _upstream(site: str) -> PlantSpec:
    spec = home(site)
    return replace(spec, sensors=replace(spec.sensors, place="upstream"))


def _regulated(site: str, *faults: Fault) -> PlantSpec:
    return _with_supply(home(site, *faults), pressure=85 * PSI, regulator=60 * PSI)


def _small(site: str) -> PlantSpec:
    spec = home(site)
    return replace(spec, tank=replace(spec.tank, volume=0.0025))


def _high(site: str) -> PlantSpec:
    spec = home(site)
    return replace(spec, tank=replace(spec.tank, precharge=85 * PSI))


PLANTS: dict[str, Callable[[], PlantSpec]] = {
    "home-healthy": lambda: home("home-healthy"),
    "plant-room-healthy": lambda: plant_room("plant-room-healthy"),
    "regulated-healthy": lambda: _regulated("regulated-healthy"),
    "holiday-healthy": lambda: replace(home("holiday"), draws=DrawSpec(holidays=((8.0, 22.0),))),
    "slow-loss": lambda: home("slow-loss", Fault(Kind.LOSS, ONSET, 0.03)),
    "constant-leak": lambda: home("constant-leak", Fault(Kind.LEAK, ONSET, 8e3)),
    "torn": lambda: home("torn", Fault(Kind.TEAR, ONSET, 2.0)),
    "plant-room-slow-loss": lambda: plant_room("plant-room-slow-loss", Fault(Kind.LOSS, ONSET, 0.03)),
    "plant-room-torn": lambda: plant_room("plant-room-torn", Fault(Kind.TEAR, ONSET, 2.0)),
    "waterlogged": lambda: home("waterlogged", Fault(Kind.WATERLOGGED, 0.0)),
    "refill-holds": lambda: home(
        "refill-holds", Fault(Kind.WATERLOGGED, 2.0), Fault(Kind.REPLACE, ONSET, 60 * PSI)
    ),
    "refill-fails": lambda: home(
        "refill-fails", Fault(Kind.LOSS, 0.0, 0.08), Fault(Kind.REFILL, ONSET + 4.4, 60 * PSI)
    ),
    "undersized": lambda: _small("undersized"),
    "precharge-high": lambda: _high("precharge-high"),
    "sensor-silent": lambda: home("sensor-silent", Fault(Kind.PRESSURE_SILENT, ONSET, 1e3)),
    "all-silent": lambda: home("all-silent", Fault(Kind.SILENT, ONSET, 3.0)),
    "sensor-frozen": lambda: home("sensor-frozen", Fault(Kind.FROZEN, ONSET, 1e3)),
    "sensor-drift": lambda: home("sensor-drift", Fault(Kind.DRIFT, ONSET, 3e3)),
    "sensor-upstream": lambda: _upstream("sensor-upstream"),
    "heater-missing": lambda: home("heater-missing", Fault(Kind.HEATER_MISSING, ONSET, 1e3)),
    "heater-inverted": lambda: home("heater-inverted", Fault(Kind.HEATER_INVERTED, ONSET, 1e3)),
    "check-passing": lambda: home("check-passing", Fault(Kind.CHECK_PASSING, ONSET, 3e-10)),
    "check-absent": lambda: _with_supply(home("check-absent"), check="absent"),
    "regulator-creep": lambda: _regulated("regulator-creep", Fault(Kind.CREEP, ONSET, 1e-12)),
    "water-leak": lambda: home("water-leak", Fault(Kind.WATER_LEAK, ONSET, 3e-12)),
    "supply-high": lambda: home("supply-high", Fault(Kind.SUPPLY_HIGH, ONSET, 30 * PSI)),
}
