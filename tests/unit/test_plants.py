"""The plant of the evaluation against balances worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.plants.cases import PSI, cases, losing
from tests.plants.cushion import Fitting, Relief, Sensor, apply_cushion, atmosphere, run_line
from tests.plants.line import Line
from tests.plants.trace import DAY, Trace, days, finer, household

GALLON_ML = 3785.411784
SEA = 101.325

# Boyle's law by hand (isothermal, sea level, 14.696 psia): 2.0 gal vessel, line at 50 psig, +0.4488 gal.
# Gas in the vessel 2.0 * (pre + 14.696) / 64.696 gal; hot = gas * 64.696 / (gas - 0.4488) - 14.696.
HOT_PSIG = {
    50: 68.7,
    45: 70.8,
    40: 73.4,
    35: 76.7,
    30: 81.1,
    25: 87.3,
    20: 96.5,
    15: 111.9,
    10: 142.3,
    5: 231.0,
}

STILL = Sensor(noise=0.0, resolution=0.0, temperature_noise=0.0)


def still_trace(growth: list[float], draw: list[float] | None = None, step: float = 10.0) -> Trace:
    """Return a trace of these growths and draws [mL a step]."""
    n = len(growth)
    return Trace(step, np.array(growth), np.array(draw or [0.0] * n), np.zeros(n), np.full(n, 50.0))


def line_of(precharge_psi: float, *, elastic: float = 1e-6, **rest: float) -> Line:
    """Return a 2.0 gal vessel on a line at 50 psig."""
    vessel = 2.0 * GALLON_ML
    return Line(vessel, (precharge_psi * PSI + SEA) * vessel, elastic, 50 * PSI + SEA, **rest)


@pytest.mark.parametrize(("precharge", "hot"), HOT_PSIG.items())
def test_lost_cushion_gives_the_pressure_of_boyles_law(precharge: float, hot: float) -> None:
    """0.06 psi: the table is rounded to 0.1 (0.5 at 231)."""
    line = line_of(precharge)
    for _ in range(40):
        line.push(0.4488 * GALLON_ML / 40, 10.0)
    assert (line.pressure - SEA) / PSI == pytest.approx(hot, abs=0.5 if hot > 200 else 0.06)


def test_no_cushion_leaves_only_the_elastic_line() -> None:
    line = Line(8000.0, 0.0, 0.5, 500.0)
    line.push(100.0, 10.0)
    assert line.pressure == pytest.approx(700.0)


def test_gas_and_elasticity_share_the_volume() -> None:
    """By hand: 4 L of gas at 400 kPa to 500 kPa gives 800 mL, 2 mL/kPa of elasticity 200 mL."""
    line = Line(8000.0, 1.6e6, 2.0, 400.0)
    line.push(1000.0, 10.0)
    assert line.pressure == pytest.approx(500.0)
    assert line.gas == pytest.approx(3200.0)


def test_charge_above_supply_is_stiff_until_the_bladder_leaves_its_stop() -> None:
    """By hand: charge 450, line 400 kPa: 25 mL at 0.5 mL/kPa; then 8000 - 3.6e6/q + 0.5 (q - 450) to q."""
    line = Line(8000.0, 3.6e6, 0.5, 400.0)
    line.push(10.0, 10.0)
    assert line.pressure == pytest.approx(420.0)
    line.push(15.0, 10.0)
    assert line.pressure == pytest.approx(450.0)
    line.push(8000.0 - 3.6e6 / 480.0 + 0.5 * 30.0, 10.0)
    assert line.pressure == pytest.approx(480.0)
    line.push(-(8000.0 - 3.6e6 / 480.0 + 0.5 * 30.0) - 20.0, 10.0)
    assert line.pressure == pytest.approx(410.0)


# The bound for a fast squeeze, same vessel: p V^n = const; 68.7, 73.1, 77.6 psig for n = 1, 1.2, 1.4.
@pytest.mark.parametrize(("gamma", "hot"), [(1.0, 68.7), (1.2, 73.1), (1.4, 77.6)])
def test_gas_that_keeps_its_heat_is_polytropic(gamma: float, hot: float) -> None:
    """0.06 psi for rounding; 4000 small steps because warmth follows the squeeze one step late."""
    line = line_of(50, gamma=gamma, relaxation=math.inf)
    for _ in range(4000):
        line.push(0.4488 * GALLON_ML / 4000, 1.0)
    assert (line.pressure - SEA) / PSI == pytest.approx(hot, abs=0.06)


def test_warm_gas_cools_to_the_isothermal_pressure() -> None:
    line = line_of(50, gamma=1.4, relaxation=60.0)
    line.push(0.4488 * GALLON_ML, 1.0)
    for _ in range(600):
        line.push(0.0, 10.0)
    assert (line.pressure - SEA) / PSI == pytest.approx(68.7, abs=0.06)


def test_friction_holds_the_bladder_on_the_way_back() -> None:
    """By hand: going up the line leads the gas by 5 kPa; the first 10 kPa back are the elastic line alone."""
    line = Line(8000.0, 1.6e6, 2.0, 400.0, friction=5.0)
    line.push(4000.0 - 1.6e6 / 495.0 + 2.0 * 100.0, 10.0)
    assert line.pressure == pytest.approx(500.0)
    gas = line.gas
    line.push(-20.0, 10.0)
    assert line.pressure == pytest.approx(490.0)
    assert line.gas == gas
    line.push(-20.0, 10.0)
    assert line.gas > gas


@pytest.mark.parametrize("reseat", [1034.0, 930.0])
def test_relief_valve_caps_the_pressure_and_spills(reseat: float) -> None:
    trace = still_trace([100.0] * 12)
    fitting = Fitting(elastic_ml_per_kpa=1.0, relief=Relief(1034.0, reseat))
    inside = run_line(
        trace,
        vessel_litres=8.0,
        charge=np.full(12, -SEA),
        supply=np.full(12, 414.0),
        fitting=fitting,
    )
    gauge = inside.pressure - SEA
    assert gauge.max() <= 1034.0 + 1e-9
    # What went in either stands in the line or ran out.
    assert inside.relieved.sum() == pytest.approx(1200.0 - (gauge[-1] - 414.0))
    assert np.all(gauge[inside.relieved > 0.0] == pytest.approx(reseat))


def test_check_valve_keeps_the_highest_supply_until_a_draw() -> None:
    supply = np.array([400.0, 420.0, 390.0, 390.0, 390.0])
    inside = run_line(
        still_trace([0.0] * 5, [0.0, 0.0, 0.0, 1500.0, 0.0]),
        vessel_litres=8.0,
        charge=np.full(5, 300.0),
        supply=supply,
        fitting=Fitting(draw_drop_kpa=10.0),
    )
    # 1.5 L in 10 s are 9 L/min: 10 kPa at 10 L/min, with the square of the flow.
    assert inside.pressure - SEA == pytest.approx([400.0, 420.0, 420.0, 390.0 - 8.1, 390.0])


def test_visit_opens_the_line_and_leaves_the_supply() -> None:
    charge = np.array([100.0, 100.0, 400.0, 400.0])
    inside = run_line(
        still_trace([0.0] * 4),
        vessel_litres=8.0,
        charge=charge,
        supply=np.full(4, 400.0),
        fitting=Fitting(),
        open_spans=((10.0, 30.0),),
    )
    assert inside.pressure - SEA == pytest.approx([400.0, 0.0, 0.0, 400.0])


def test_line_without_any_give_is_refused() -> None:
    with pytest.raises(ValueError, match="no give"):
        Line(8000.0, 1e6, 0.0, 400.0)


# ISO 2533: 834.31 hPa at 1609 m, 701.09 hPa at 3000 m (geopotential).
@pytest.mark.parametrize(("metres", "kpa"), [(0.0, 101.325), (1609.0, 83.431), (3000.0, 70.109)])
def test_atmosphere_is_the_standard_one(metres: float, kpa: float) -> None:
    assert atmosphere(metres) == pytest.approx(kpa, abs=0.001)


def test_household_is_whole_and_cools_when_idle() -> None:
    trace = household()
    assert trace.days == pytest.approx(14.0)
    idle = (trace.draw == 0.0) & (trace.burner == 0.0)
    burning = (trace.draw == 0.0) & (trace.burner == 1.0)
    assert -0.3 < np.median(trace.growth[idle]) < 0.0
    # 9 065 W for 10 s at about 45 degC: beta / (rho cp) = 422.6e-6 / (990.2 * 4180) m3/J, 9.3 mL.
    assert np.median(trace.growth[burning]) == pytest.approx(9.3, abs=1.0)


def test_finer_trace_keeps_its_totals() -> None:
    trace = days(household(), 0.0, 0.5)
    fine = finer(trace, 2.0)
    assert len(fine) == 5 * len(trace)
    assert fine.growth.sum() == pytest.approx(trace.growth.sum())
    assert fine.draw.sum() == pytest.approx(trace.draw.sum())
    with pytest.raises(ValueError, match="divide"):
        finer(trace, 3.0)


def test_sensor_reads_at_its_interval_rounds_and_falls_silent() -> None:
    trace = days(household(), 0.0, 0.25)
    sensor = Sensor(every=60.0, noise=0.0, resolution=5.0, gaps=((3600.0, 7200.0),), temperature=False)
    seen = apply_cushion(trace, vessel_litres=8.0, precharge_kpa=400.0, supply_kpa=402.0, sensor=sensor)
    assert set(np.diff(seen["time"])) == {60.0, 3660.0}
    assert seen["pressure"] % 5.0 == pytest.approx(0.0)
    assert np.isnan(seen["temperature"]).all()


def test_heater_states_come_late_by_the_clock_error() -> None:
    trace = days(household(), 0.0, 1.0)
    prompt = apply_cushion(trace, vessel_litres=8.0, precharge_kpa=400.0, supply_kpa=402.0)
    late = apply_cushion(
        trace, vessel_litres=8.0, precharge_kpa=400.0, supply_kpa=402.0, sensor=Sensor(heater_clock=40.0)
    )
    assert late["heater"][4:] == pytest.approx(prompt["heater"][:-4])


def test_losing_is_a_share_of_the_absolute_charge() -> None:
    course = losing(400.0, 0.01)
    assert callable(course)
    end = course(np.array([0.0, 10 * DAY]))
    assert end == pytest.approx([400.0, (400.0 + SEA) * 0.99**10 - SEA])


def test_every_case_has_its_own_name_and_a_plain_summary() -> None:
    known = cases()
    assert len(known) == 28
    assert all(name == case.name and case.summary for name, case in known.items())
