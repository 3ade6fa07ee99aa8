"""Whole plants: books that close, faults that show, same seed same days."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.catalogue import PLANTS, home, plant_room
from simulator.faults import Fault, Kind
from simulator.peak import worst_case_peak
from simulator.recording import Recording, Site, simulate
from simulator.spec import DrawSpec, PlantSpec
from simulator.units import PSI

EPOCH = 1767571200.0


def run(spec: PlantSpec, days: int = 2, seed: int = 1) -> Recording:
    return simulate(spec, days, seed, EPOCH)


@pytest.mark.parametrize(
    "name", ["home-healthy", "plant-room-healthy", "waterlogged", "regulator-creep", "check-passing"]
)
def test_no_water_is_made_or_lost(name: str) -> None:
    """What came in, less what went out, plus growth, is what the line holds more: to 1 mL of some 1000 L."""
    spec = replace(PLANTS[name](), faults=tuple(replace(f, day=0.5) for f in PLANTS[name]().faults))
    site = Site(spec, 1, EPOCH)
    days = site.days()
    network = site.plant.network
    before = network.stored()
    for _ in range(2):
        next(days)
    books = network.books
    balance = books.inflow - books.drawn - books.relief - books.leaked + books.growth
    assert books.drawn > 0.1
    assert network.stored() - before == pytest.approx(balance, abs=1e-6)


def test_growth_is_the_mass_that_the_heater_lost() -> None:
    """Growth is booked in cold water, day by day; the heater's own mass is the check."""
    spec = replace(home(), draws=DrawSpec(kind="none"), heater=replace(home().heater, start=30.0))
    site = Site(spec, 1, EPOCH)
    trace, _ = next(site.days())
    lost = trace.heating.mass[0] - trace.heating.mass[-1]
    assert lost > 1.0
    assert site.plant.network.books.growth == pytest.approx(lost / 1000.0, rel=1e-3)


def test_same_seed_same_days_and_other_seed_other_days() -> None:
    first, again, other = run(home()), run(home()), run(home(), seed=2)
    assert first.pressure.tobytes() == again.pressure.tobytes()
    assert first.heater.tobytes() == again.heater.tobytes()
    assert first.pressure.tobytes() != other.pressure.tobytes()


def test_days_do_not_depend_on_how_many_are_asked_for() -> None:
    one, two = run(home(), 1), run(home(), 2)
    assert two.pressure[: len(one.pressure)].tobytes() == one.pressure.tobytes()


def test_a_sound_home_stays_far_below_its_relief_valve() -> None:
    recording = run(home(), 4)
    assert recording.truth.openings == []
    assert recording.pressure.max() < 85 * PSI / 1e3


def test_a_drowned_tank_makes_the_relief_valve_open() -> None:
    """And the valve holds the pressure at 98 % of 150 psi, its own tolerance; 3 sigma of noise on top."""
    recording = run(PLANTS["waterlogged"](), 4)
    assert recording.truth.openings
    assert recording.truth.discharged > 1.0
    assert recording.pressure.max() <= 0.98 * 150 * PSI / 1e3 + 3.0


def test_a_torn_diaphragm_shows_only_afterwards() -> None:
    spec = plant_room("torn-room", Fault(Kind.TEAR, 2.0, 1.0))
    recording = run(spec, 4)
    before = recording.time < EPOCH + 2 * 86400.0
    assert recording.pressure[before].max() < 500.0
    assert recording.pressure[~before].max() > 650.0
    assert min(recording.truth.openings) > EPOCH + 2 * 86400.0


def test_the_truth_of_a_loss_is_what_was_asked_for() -> None:
    recording = run(home("loss", Fault(Kind.LOSS, 1.0, 0.1)), 3)
    expected = 60 * PSI / 1e3 * np.exp(-0.1 * 1.5)
    at = np.interp(EPOCH + 2.5 * 86400.0, recording.truth.charge_time, recording.truth.charge_kpa)
    assert at == pytest.approx(expected, rel=2e-3)  # the tank's ordinary seep on the first day


def test_a_visit_relieves_the_line() -> None:
    spec = home("visited", Fault(Kind.REFILL, 1.5, 60 * PSI))
    recording = run(spec, 2)
    there = recording.time - EPOCH - 1.5 * 86400.0
    visit = (there > 600.0) & (there < 2400.0)
    assert recording.pressure[visit].max() < 5.0
    assert recording.pressure[there > 3600.0].min() > 150.0


def test_growth_vanishes_where_no_check_valve_closes_the_line() -> None:
    """The line follows a calm street within the noise of the sensor, where a closed one rises by 20 kPa."""
    calm = replace(home().supply, swing=0.0, noise=0.0, use=0.0)
    closed = replace(home(), supply=calm, draws=DrawSpec(kind="none"))
    spec = replace(closed, supply=replace(calm, check="absent"))
    rises = [np.ptp(run(s, 1).pressure[600:]) for s in (spec, closed)]
    assert rises[0] < 8.0
    assert rises[1] > 20.0


def test_a_creeping_regulator_lifts_the_line_at_rest() -> None:
    quiet = replace(
        PLANTS["regulator-creep"](), draws=DrawSpec(kind="none"), faults=(Fault(Kind.CREEP, 0.5, 1e-12),)
    )
    recording = run(quiet, 1)
    half = recording.time < EPOCH + 43200.0
    assert np.median(recording.pressure[~half]) > np.median(recording.pressure[half]) + 100.0


def test_a_leak_draws_the_line_down_to_the_supply() -> None:
    quiet = replace(
        home("leaky", Fault(Kind.WATER_LEAK, 0.0, 3e-12)), heater=replace(home().heater, start=30.0)
    )
    sound = replace(quiet, faults=())
    peaks = [run(replace(s, draws=DrawSpec(kind="none")), 1).pressure.max() for s in (quiet, sound)]
    assert peaks[0] < peaks[1] - 10.0


def test_worst_case_peak_is_boyles_law() -> None:
    """40 US gal 50 to 120 °F into 2.0 US gal at 50 psig: 68.7 psig by IAPWS volumes, 0.4488 gal, no shell.

    Here with the steel shell (3 · 11.7e-6 · 38.9 K = 0.14 % of 40 gal, 0.0546 gal): 66.0 psig by hand.
    """
    gallon = 3.785411784e-3
    base = home()
    spec = replace(
        base, altitude=0.0,
        heater=replace(base.heater, volume=40 * gallon, setpoint=(120 - 32) / 1.8),
        tank=replace(base.tank, volume=2.0 * gallon), supply=replace(base.supply, pressure=50 * PSI),
        line=replace(base.line, compliance=1e-15),
    )  # fmt: skip
    peak = worst_case_peak(spec, 50 * PSI, 10.0) / PSI
    assert peak == pytest.approx(66.0, abs=0.2)


@pytest.mark.parametrize("name", sorted(PLANTS))
def test_every_plant_of_the_catalogue_runs(name: str) -> None:
    recording = run(PLANTS[name](), 1)
    assert np.isfinite(recording.pressure).all()
    assert (np.diff(recording.time) > 0.0).all()


def test_a_fast_tap_does_not_pull_the_line_below_atmosphere() -> None:
    spec = replace(home(), draws=DrawSpec(kind="list", events=((3600.0, 600.0, 5e-4, 1e-3),)))
    assert run(spec, 1).pressure.min() > -2.5  # noise


def test_standing_pressure_of_a_closed_line_is_that_of_the_regulator() -> None:
    quiet = replace(PLANTS["regulated-healthy"](), draws=DrawSpec(kind="none"))
    start = run(quiet, 1).pressure[:60]
    assert np.median(start) == pytest.approx(60 * PSI / 1e3, abs=5.0)
