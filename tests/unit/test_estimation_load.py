"""The load of a heating loop: what goes out by the radiators while the burner heats."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.estimation.heating import Heating
from monitor.estimation.load import Load
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples
from monitor.estimation.windows import Kind, find_windows
from monitor.site import Heater, HeaterKind, Site

VOLUME, WATTS, SETPOINT = 0.4, 12e3, 60.0  # m³, W into the water, °C
VESSEL, CHARGE, FILL = 0.03, 130e3, 170e3  # m³, gauge Pa
SITE = Site(
    "loop", heater=Heater(HeaterKind.LOOP, VOLUME, WATTS, 1.0, SETPOINT), tank_volume=VESSEL, precharge=CHARGE
)
EVERY = 10.0


def boiler(share: float, hours: float = 3.0) -> tuple[Samples, float]:
    """Return rows of a loop of which a ``share`` of the burner's heat goes out all the time, and its air [J].

    Half an hour of burning, then as long without as it takes to cool down again. Growth of water by its
    volume at 60 °C (beta 5.2e-4 1/K: IAPWS-95 tables), steel by 3 x 11.7e-6 1/K; gas that keeps its temperature.
    """
    plant = plant_of(SITE)
    air = (CHARGE + plant.atmosphere) * VESSEL
    time = np.arange(0.0, hours * 3600.0, EVERY)
    cycle = 1800.0 / share
    on = time % cycle < 1800.0
    heat = np.cumsum(np.where(on, 1.0 - share, -share)) * WATTS * EVERY
    per_joule = float(plant.fluid.expansion_per_joule(SETPOINT - 8.0)) - plant.shell_per_joule
    start = FILL + plant.atmosphere
    pressure = 1.0 / (1.0 / start - heat * per_joule / air)
    return Samples(
        time, (pressure - plant.atmosphere) / 1e3, on.astype(float), np.full(len(time), np.nan)
    ), air


def _burn(rows: Samples, which: int, share: float) -> Samples:
    first = int(which * 1800.0 / share / EVERY)
    return rows.between(max(first - 1, 0), first + 180)


@pytest.mark.parametrize("share", [0.2, 0.4, 0.6])
def test_the_fall_without_heat_gives_back_what_the_load_has_taken(share: float) -> None:
    rows, air = boiler(share, 6.0)
    plant = plant_of(SITE)
    load = Load(plant.atmosphere)
    for first in range(0, len(rows), 360):
        load.hour(rows.between(first, min(first + 360, len(rows))))
    assert load.fall is not None
    heating = Heating(0.0, learned=True, ended=True, loop=True, fall=load.fall)
    weighed = [w for w in find_windows(_burn(rows, 1, share), heating, plant) if w.kind is Kind.RISE]
    assert weighed
    for window in weighed:
        found = window.growth / (1.0 / window.p1 - 1.0 / window.p2)
        assert abs(math.log(found / air)) < 0.1
        without = window.growth / (
            1.0 / window.p1 - 1.0 / (window.p1 + (window.p2 - window.p1) * (1.0 - share))
        )
        assert without > air / (1.0 - 0.8 * share)  # what a gauge blind to the load would say


def test_a_load_that_nobody_has_seen_is_doubted() -> None:
    rows, air = boiler(0.4)
    plant = plant_of(SITE)
    unseen = Heating(0.0, learned=True, ended=True, loop=True)
    window = find_windows(_burn(rows, 1, 0.4), unseen, plant)[0]
    found = window.growth / (1.0 / window.p1 - 1.0 / window.p2)
    assert window.relative_sd > 0.3
    assert abs(math.log(found / air)) < window.relative_sd


def test_an_hour_without_a_pause_of_the_burner_tells_nothing() -> None:
    rows, _ = boiler(0.9, 1.0)
    load = Load(101_325.0)
    load.hour(rows.between(0, 150))
    load.hour(rows.between(0, 0))
    assert load.fall is None


def test_a_line_that_stands_still_gives_nothing_off() -> None:
    time = np.arange(0.0, 3600.0, EVERY)
    load = Load(101_325.0)
    load.hour(Samples(time, np.full(360, 170.0), np.zeros(360), np.full(360, np.nan)))
    assert load.fall is not None
    assert load.fall.over(600.0, 300e3) == 0.0
