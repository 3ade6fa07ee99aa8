"""Lost water: a line behind a shut valve, and a heating loop; rows made from a balance of volumes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.rules import CERTAIN, CLEARED
from monitor.diagnosis.signs.loss import Loss
from monitor.estimation.plant import plant_of
from monitor.estimation.samples import Samples
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from tests.plants.asking import DAY, SITE, START, asked

AIR: Final = 101.325  # kPa
LOOP = Site("loop", heater=Heater(HeaterKind.LOOP, 0.2, 20e3, 0.9, 60.0), tank_volume=18e-3,
            precharge=100e3, unit="bar")  # fmt: skip


@dataclass(frozen=True)
class Shut:
    """A line whose valve upstream shuts on day 4; a burn of 20 min every 8 h, 0.4 L of growth each.

    ``out`` L/h leak, ``drained`` L taken out at once; what grows in a burn the rest takes back, in a straight line.
    ``falls`` kPa: the supply steps down instead, and the line follows it. ``burns`` none: the heater is off.
    """

    out: float = 0.0
    drained: float = 0.0
    falls: float = 0.0
    burns: bool = True
    opens: float = 9.0

    def rows(self, days: float = 8.0) -> Samples:
        """Return readings every 20 s."""
        time = np.arange(0.0, days * DAY, 20.0)
        within = time % (8 * 3600.0)
        on = (within >= 3600.0) & (within < 4800.0) & self.burns
        flow = np.where(on, 0.4 / 1200.0, -0.4 / (8 * 3600.0 - 1200.0)) * self.burns
        shut = (time >= 4.1 * DAY) & (time < self.opens * DAY) & (self.falls == 0.0)
        lost = self.out / 3600.0
        water, p = 0.05, np.empty(len(time))
        for i, (into, alone) in enumerate(zip(flow.tolist(), shut.tolist(), strict=True)):
            water += 20.0 * (into - (lost if alone and water > -0.2 else 0.0))
            if alone and i and not shut[i - 1]:
                water -= self.drained
            water = max(water, -0.3 if alone else 0.0)
            p[i] = pressure(water)
        p -= np.where(time >= 4.1 * DAY, self.falls, 0.0)
        noise = np.random.default_rng(3).normal(0.0, 0.4, len(p))
        return Samples(START + time, np.round(p + noise, 1), on.astype(float), np.full(len(p), np.nan))


def pressure(water: float) -> float:
    """Return gauge kPa for litres in the tank: 8 L of air at 60 psi; below, 0.2 mL/kPa of pipe alone."""
    full = 413.7
    if water >= 0.0:
        return (full + AIR) * 8.0 / (8.0 - water) - AIR
    return max(full + water / 0.0002 / 1.0, 0.0)


def raised(rows: Samples, site: Site = SITE) -> list[float]:
    """Return the days at which a loss of water is certain."""
    said = asked(Loss(site, plant_of(site)), rows, site)
    assert all(one.fault is Fault.WATER_LOSS for _, one in said)
    return [(at - START) / DAY for at, one in said if one.probability >= CERTAIN]


@pytest.mark.parametrize("litres_an_hour", [0.1, 0.2, 0.5])
def test_a_line_shut_off_that_empties_sooner_than_it_cools_loses_water(litres_an_hour: float) -> None:
    found = raised(Shut(out=litres_an_hour).rows())
    assert found
    assert 4.1 < found[0] < 6.5


@pytest.mark.parametrize(
    "line",
    [
        Shut(),
        Shut(drained=0.3),
        Shut(falls=60.0),
        Shut(falls=200.0),
        Shut(out=0.3, burns=False),
        Shut(opens=4.1),
        Shut(out=5.0),
    ],
    ids=["shut, sound", "drained a little", "supply steps down", "sensor or supply far down",
         "heater off", "never shut", "dead at zero, or a tap left open"],
)  # fmt: skip
def test_what_only_looks_like_a_sinking_line(line: Shut) -> None:
    assert raised(line.rows()) == []


def test_a_supply_that_is_back_ends_it() -> None:
    said = asked(Loss(SITE, plant_of(SITE)), Shut(out=0.5, opens=7.0).rows(9.0))
    assert [one.probability >= CERTAIN for _, one in said] == [True, False]
    assert said[-1][1].probability < CLEARED
    assert (said[-1][0] - START) / DAY < 7.6


@dataclass(frozen=True)
class Filled:
    """A loop of 200 L, 18 L of air at 1 bar, filled to 1.5 bar; a burner cycle of 40 min.

    ``water`` L lost a day, ``air`` share of the air lost a day, ``milder`` K a day; ``top`` topped up to 1.5 bar
    when below that many bar; ``pump`` kPa that a pump adds from 6 to 22 h; ``measured`` temperature.
    """

    water: float = 0.0
    air: float = 0.0
    milder: float = 0.0
    top: float = 0.0
    pump: float = 0.0
    measured: bool = True

    def rows(self, days: float = 24.0) -> Samples:
        """Return readings every minute."""
        time = np.arange(0.0, days * DAY, 60.0)
        rng = np.random.default_rng(4)
        within = time % 2400.0
        on = (within < 900.0) & (time % DAY >= 4 * 3600.0)  # off at night
        wave = np.where(within < 900.0, within / 900.0, (2400.0 - within) / 1500.0)
        weather = np.interp(time, np.arange(0, days * DAY + DAY, DAY), rng.normal(0.0, 2.0, int(days) + 1))
        warm = 45.0 + weather - self.milder * time / DAY + 10.0 * wave * (time % DAY >= 4 * 3600.0)
        grown = 200.0 * 4.6e-4 * (warm - 45.0)  # 4.6e-4 1/K: water at 50 °C
        air = 18.0 * (100.0 + AIR) * (1.0 - self.air) ** (time / DAY)
        water, p = 18.0 - 18.0 * (100.0 + AIR) / (150.0 + AIR), np.empty(len(time))
        for i in range(len(time)):
            water -= self.water / 1440.0
            p[i] = air[i] / (18.0 - water - grown[i]) - AIR
            if p[i] < 100.0 * self.top and time[i] % DAY < 3 * 3600.0 and time[i] % DAY >= 3600.0 * 1.5:
                water += 18.0 - water - grown[i] - air[i] / (150.0 + AIR)
        p = (
            p
            + self.pump * ((time % DAY >= 6 * 3600.0) & (time % DAY < 22 * 3600.0))
            + rng.normal(0.0, 0.3, len(p))
        )
        seen = warm + rng.normal(0.0, 0.3, len(warm)) if self.measured else np.full(len(warm), np.nan)
        return Samples(START + time, np.round(p, 1), on.astype(float), seen)


@pytest.mark.parametrize("water", [0.1, 0.3])
def test_a_loop_that_loses_water(water: float) -> None:
    found = raised(Filled(water=water).rows(), LOOP)
    assert found
    assert found[0] < 20.0


def test_a_loop_that_loses_much_water_needs_no_temperature() -> None:
    assert raised(Filled(water=0.35, measured=False).rows(), LOOP)


def test_top_ups_hide_no_loss() -> None:
    sign = Loss(LOOP, plant_of(LOOP))
    said = [
        one for _, one in asked(sign, Filled(water=0.4, top=1.2).rows(), LOOP) if one.probability >= CERTAIN
    ]
    assert said
    assert float(said[-1].evidence["topped_up_times"] or 0) >= 2
    assert "topped up" in said[-1].seen
    assert float(said[-1].evidence["litres_lost"] or 0.0) > 4.0
    assert "relieve" in said[-1].seen


@pytest.mark.parametrize(
    "loop",
    [
        Filled(),
        Filled(milder=0.8),
        Filled(milder=0.4, measured=False),
        Filled(air=0.01),
        Filled(pump=20.0),
        Filled(measured=False),
    ],
    ids=["sound", "spring", "spring, not measured", "air goes", "pump by day", "not measured"],
)
def test_what_only_looks_like_a_leaking_loop(loop: Filled) -> None:
    assert raised(loop.rows(), LOOP) == []


def test_a_visit_starts_the_days_anew() -> None:
    sign, plant = Loss(LOOP, plant_of(LOOP)), Filled(water=0.3)
    asked(sign, plant.rows(7.0), LOOP)
    sign.visit(Visit(START + 7.0 * DAY, VisitAction.GAUGED))
    rows = plant.rows(14.0)
    late = rows.between(int(np.searchsorted(rows.time, START + 7.0 * DAY)), len(rows))
    assert not [one for _, one in asked(sign, late, LOOP) if one.probability >= CERTAIN]


def test_a_site_of_another_kind_is_no_loop() -> None:
    house = replace(LOOP, heater=replace(LOOP.heater, kind=HeaterKind.STORAGE))
    assert raised(Filled(water=0.3).rows(10.0), house) == []
