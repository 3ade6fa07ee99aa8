"""Discharge of a relief valve, limits of a charge, and the words for people."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.limits import air_for_peak, limits_of, worst_case_peak
from monitor.diagnosis.relief import Discharge, discharge
from monitor.diagnosis.words import CAUTION, Speaker, action, sureness
from monitor.estimation.belief import AIR, Belief, first_belief
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.samples import Samples
from monitor.site import Heater, HeaterKind, Site
from monitor.units import PSI

OUTSIDE = 101_325.0  # ISO 2533 at 0 m
SIXTY = 60.0 * PSI
SETTING = 150.0 * PSI
SITE = Site("house", heater=Heater(HeaterKind.STORAGE, 0.15, 11.7e3, 0.77, 54.0), unit="psi",
            tank_volume=8e-3, precharge=SIXTY, supply=SIXTY, relief=SETTING)  # fmt: skip
PLANT = plant_of(SITE)
START = 1.7e9


def believed(share: float) -> Belief:
    """Return a belief that the share of the full air is left, known to 5 %."""
    belief = first_belief(PLANT, START)
    mean = belief.mean.copy()
    mean[AIR] = math.log(share * PLANT.air_of(SIXTY))
    return replace(belief, mean=mean, covariance=np.diag(np.array([0.05, 0.01, 0.05, 0.5, 0.05]) ** 2))


def burn(psi: np.ndarray, heater: float = 1.0) -> Samples:
    """Return rows of a burn every ten seconds."""
    time = START + 10.0 * np.arange(len(psi))
    return Samples(time, psi * PSI / 1e3, np.full(len(psi), heater), np.full(len(psi), np.nan))


def seen_in(psi: np.ndarray, share: float, heater: float = 1.0, plant: Plant = PLANT) -> Discharge | None:
    """Return the discharge in rows of a burn; heat reaches the water at once."""
    return discharge(burn(psi, heater), 0.0, believed(share), plant)


CLIMB = np.linspace(60.0, 150.0, 20)
PLATEAU = np.concatenate([CLIMB, np.full(40, 150.0)])
SAW = np.concatenate([CLIMB, np.tile(np.linspace(130.0, 150.0, 10), 4)])


@pytest.mark.parametrize("psi", [PLATEAU, SAW], ids=["plateau", "saw-tooth"])
@pytest.mark.parametrize("share", [0.03, 0.3])
def test_heat_goes_on_and_the_line_stays_at_the_setting(psi: np.ndarray, share: float) -> None:
    seen = seen_in(psi, share)
    assert seen is not None
    assert seen.pressure == pytest.approx(SETTING, rel=0.01)
    assert START + 130.0 <= seen.since <= START + 200.0
    # 9.0 kW for 400 s at 491e-6 / (985.7 * 4183) m3/J (IAPWS R6-95 at 55 degC): 0.43 L, less where colder.
    assert 3.0e-4 < seen.volume < 5.5e-4


def test_it_is_told_while_it_happens_and_not_only_at_the_end_of_the_burn() -> None:
    told = [n for n in range(2, len(PLATEAU)) if seen_in(PLATEAU[:n], 0.05)]
    assert told
    assert told[0] < 45
    assert told == list(range(told[0], len(PLATEAU)))


@pytest.mark.parametrize(
    ("psi", "heater"),
    [
        (np.full(60, 100.0), 1.0),  # far below the setting
        (np.linspace(100.0, 148.0, 60), 1.0),  # still rising
        (np.full(60, 149.0), 0.0),  # no heat
        (np.concatenate([CLIMB, np.full(40, 70.0)]), 1.0),  # a draw has taken the pressure away
        (PLATEAU[:22], 1.0),  # too short to tell
    ],
    ids=["low", "rising", "no heat", "draw", "short"],
)
def test_what_is_no_discharge(psi: np.ndarray, heater: float) -> None:
    assert seen_in(psi, 0.1, heater) is None


def test_without_a_known_setting_nothing_is_said() -> None:
    assert seen_in(PLATEAU, 0.05, plant=plant_of(replace(SITE, relief=None))) is None


GALLON = 3.785411784e-3
# Boyle's law by hand: 2.0 gal tank, 14.696 psia outside, a growth of .4488 gal from 50 psig; see the physics.
HOT_PSIG = {50: 68.7, 40: 73.4, 30: 81.1, 20: 96.5, 15: 111.9, 10: 142.3}


def bench(**changes: Any) -> Plant:
    """Return a plant of that size."""
    site = Site("bench", heater=Heater(volume=0.15, setpoint=48.9), tank_volume=2.0 * GALLON,
                precharge=50 * PSI, supply=50 * PSI, relief=SETTING)  # fmt: skip
    return replace(plant_of(site), full_recovery=0.4488 * GALLON, **changes)


@pytest.mark.parametrize(("charge", "hot"), HOT_PSIG.items())
def test_the_worst_case_peak_is_that_of_the_closed_form(charge: float, hot: float) -> None:
    plant = bench()
    peak = worst_case_peak(plant, 50 * PSI, plant.air_of(charge * PSI), 0.0)
    assert peak / PSI == pytest.approx(hot, abs=0.06)


def test_the_valve_caps_the_peak_and_without_one_it_is_what_it_is() -> None:
    plant = bench()
    air = plant.air_of(5 * PSI)
    assert worst_case_peak(plant, 50 * PSI, air, 0.0) == SETTING
    assert worst_case_peak(bench(relief=None), 50 * PSI, air, 0.0) / PSI == pytest.approx(231.0, abs=0.5)
    assert worst_case_peak(bench(relief=None), 50 * PSI, 0.0, 0.0) == math.inf


@pytest.mark.parametrize("peak", [80.0, 100.0, 149.0])
def test_the_air_for_a_peak_gives_that_peak(peak: float) -> None:
    plant = bench(relief=None)
    air = air_for_peak(plant, 50 * PSI, 0.0, peak * PSI)
    assert worst_case_peak(plant, 50 * PSI, air, 0.0) / PSI == pytest.approx(peak, abs=0.01)


def test_80_psi_is_passed_at_a_charge_of_31_psi_and_150_at_9() -> None:
    """By the closed form: 31.1 and 9.2 psig."""
    plant = bench()
    for peak, charge in ((80.0, 31.1), (150.0, 9.2)):
        air = air_for_peak(plant, 50 * PSI, 0.0, peak * PSI)
        assert plant.charge_gauge(air) / PSI == pytest.approx(charge, abs=0.06)


def test_limits_lie_in_order_and_below_the_target() -> None:
    limits = limits_of(PLANT, SIXTY, PLANT.elastic)
    assert 0.0 < limits.lost < limits.low < PLANT.air_nominal
    assert limits.relief is not None
    assert limits.low_charge < PLANT.charge_target
    assert limits_of(plant_of(replace(SITE, relief=None)), SIXTY, PLANT.elastic).relief is None


@pytest.mark.parametrize(
    ("unit", "said"), [("psi", "60 psi"), ("bar", "4.1 bar"), ("kPa", "414 kPa"), ("MPa", "0.41 MPa")]
)
def test_pressures_are_said_in_the_site_s_unit(unit: str, said: str) -> None:
    assert Speaker(replace(SITE, unit=unit)).pressure(SIXTY) == said


def test_times_are_said_in_the_site_s_zone() -> None:
    """1 July 2024 23:30 UTC is after midnight in London's summer time, and still afternoon in Denver."""
    at = 1_719_876_600.0
    assert Speaker(SITE).moment(at) == "1 July 2024, 23:30 UTC"
    assert Speaker(replace(SITE, timezone="Europe/London")).moment(at) == "2 July 2024, 00:30 BST"
    assert Speaker(replace(SITE, timezone="America/Denver")).moment(at) == "1 July 2024, 17:30 MDT"
    assert Speaker(replace(SITE, timezone="Europe/London")).date(at) == "2 July 2024"


@pytest.mark.parametrize("probability", [0.95, 0.99, 0.999999, 1.0])
def test_nothing_is_ever_certain(probability: float) -> None:
    assert "100 %" not in sureness(probability)
    assert sureness(0.96) == "very likely (96 %)"


@pytest.mark.parametrize(
    "fault", [fault for fault in Fault if fault is not Fault.BLIND]
)  # has its own, by reason
def test_every_fault_has_a_first_action(fault: Fault) -> None:
    assert len(action(fault, Speaker(SITE), SIXTY)) > 30


def test_the_usual_cautions_are_there() -> None:
    assert "Never plug or cap a relief valve" in action(Fault.RELIEF_DISCHARGING, Speaker(SITE), SIXTY)
    assert "never by a smaller one" in action(Fault.AIR_CUSHION_LOST, Speaker(SITE), SIXTY)
    for word in ("scald", "licensed", "local codes", "relieve the water side"):
        assert word in CAUTION
