"""Heat and mass of the layered heater."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.draws import Draws
from simulator.heater import Heater, mix
from simulator.spec import HeaterSpec
from simulator.water import density

REST = Draws(np.array([0.0]), np.array([0.0]), np.array([0.0]))
SEALED = replace(HeaterSpec(), standby=0.0, start=40.0)


def heat(heater: Heater, spec: HeaterSpec) -> float:
    """Return the heat in the water above 0 °C: rho·cp of `heat_capacity` integrated. [J]"""
    layer = spec.volume / spec.nodes
    return sum(layer * (4.2095e6 * t - 820.0 * t * t) for t in heater.layers)


def test_all_heat_of_the_burner_reaches_the_water_in_the_end() -> None:
    """0.3 %: one capacity per step for all layers stands for the true sum."""
    heater = Heater(SEALED)
    before = heat(heater, SEALED)
    run = heater.run(REST, 7200.0, 10.0)
    assert not run.on[-1]
    burned = float((np.diff(run.time) * run.on[:-1]).sum()) * SEALED.input * SEALED.efficiency
    assert heat(heater, SEALED) - before == pytest.approx(burned, rel=3e-3)


def test_water_goes_on_growing_after_burner_off() -> None:
    """With a lag of 45 s some 9 kW · 45 s enter afterwards: about 0.4 MJ into 150 L, 0.65 K."""
    heater = Heater(SEALED)
    run = heater.run(REST, 7200.0, 10.0)
    off = int(np.flatnonzero(np.diff(run.on.astype(int)) < 0)[0]) + 1
    late = SEALED.input * SEALED.efficiency * SEALED.lag / (4.13e6 * SEALED.volume)
    warmer = run.probe[-1] - run.probe[off]
    assert warmer == pytest.approx(late, rel=0.05)
    assert run.mass[-1] < run.mass[off]


def test_thermostat_keeps_to_its_dead_band() -> None:
    spec = HeaterSpec()
    run = Heater(spec).run(REST, 10 * 86400.0, 10.0)
    rose = int((np.diff(run.on.astype(int)) > 0).sum())
    assert rose >= 10
    assert run.probe.min() > spec.setpoint - spec.differential - 2.0
    assert run.probe.max() < spec.setpoint + 4.0


def test_a_draw_brings_cold_water_in_at_the_bottom() -> None:
    """40 L out of 150 L: the lower layers are cold, the top is as it was."""
    spec = replace(SEALED, start=53.0)
    heater = Heater(spec)
    heater.run(Draws(np.array([0.0]), np.array([1e-4]), np.array([0.0])), 400.0, 10.0)
    assert heater.layers[0] < 30.0
    assert heater.layers[-1] == pytest.approx(53.0, abs=0.5)


def test_a_draw_takes_out_what_it_brings_in() -> None:
    """Volume balance of heat without burner: mean temperature after 15 L in plug flow."""
    spec = replace(SEALED, start=53.0, input=1e-9)
    heater = Heater(spec)
    heater.run(Draws(np.array([0.0]), np.array([1e-4]), np.array([0.0])), 150.0, 10.0)
    # 15 L leave at 53 °C (none of the cold has reached the top) and come in at 10 °C.
    assert np.mean(heater.layers) == pytest.approx(53.0 - 43.0 * 15.0 / 150.0, abs=0.02)


def test_mixing_conserves_heat_and_leaves_no_inversion() -> None:
    layers = [55.0, 54.0, 30.0, 31.0, 20.0]
    mixed = mix(layers)
    assert sum(mixed) == pytest.approx(sum(layers))
    assert mixed == sorted(mixed)


def test_mass_is_volume_times_density_less_nothing() -> None:
    """At 15 °C the shell has its nominal volume."""
    heater = Heater(replace(HeaterSpec(), volume=0.1))
    assert heater.mass(np.full((1, 8), 15.0))[0] == pytest.approx(0.1 * density(15.0), rel=1e-12)


def test_one_layer_is_a_mixed_tank() -> None:
    heater = Heater(replace(HeaterSpec(), nodes=1, start=40.0))
    run = heater.run(REST, 7200.0, 10.0)
    assert len(heater.layers) == 1
    assert run.probe.max() > 53.0
