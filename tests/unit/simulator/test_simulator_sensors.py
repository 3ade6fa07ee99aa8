"""What devices make of the truth."""

from dataclasses import replace

import numpy as np
import pytest

from simulator.catalogue import home
from simulator.faults import Fault, Kind
from simulator.recording import Recording, Site, simulate
from simulator.spec import DrawSpec, PlantSpec, SensorSpec

EPOCH = 1767571200.0
DAY = 86400.0


def logged(sensors: SensorSpec, *faults: Fault, days: int = 1) -> Recording:
    return simulate(replace(home("s", *faults), sensors=sensors), days, 1, EPOCH)


def test_resolution_and_interval() -> None:
    recording = logged(SensorSpec(interval=5.0, resolution=1000.0))
    assert len(recording.time) == DAY / 5.0
    assert np.abs(recording.pressure - recording.pressure.round()).max() < 1e-9


def test_jitter_keeps_the_order() -> None:
    recording = logged(SensorSpec(interval=10.0, jitter=30.0))
    gaps = np.diff(recording.time)
    assert gaps.min() > 0.0
    assert gaps.std() > 1.0


def test_noise_is_as_large_as_asked_for() -> None:
    """8640 samples: the standard deviation is known to 0.8 %, 5 sigma of it are 4 %."""
    quiet, noisy = (logged(SensorSpec(noise=n, resolution=0.0)) for n in (0.0, 2000.0))
    assert np.std(noisy.pressure - quiet.pressure) == pytest.approx(2.0, rel=0.04)


def test_lost_samples_are_missing() -> None:
    recording = logged(SensorSpec(loss=0.2))
    assert len(recording.time) == pytest.approx(0.8 * 8640, rel=0.03)


def test_silence_frozen_and_drift() -> None:
    sensors = SensorSpec(noise=0.0, resolution=0.0)
    silent = logged(sensors, Fault(Kind.PRESSURE_SILENT, 0.25, 0.5))
    assert np.diff(silent.time).max() == pytest.approx(0.5 * DAY, abs=20.0)
    frozen = logged(sensors, Fault(Kind.FROZEN, 0.25, 10.0), days=2)
    assert np.ptp(frozen.pressure[frozen.time >= EPOCH + 0.25 * DAY]) == 0.0
    drift, sound = logged(sensors, Fault(Kind.DRIFT, 0.5, 10e3)), logged(sensors)
    assert drift.pressure[-1] - sound.pressure[-1] == pytest.approx(5.0, rel=1e-3)


def test_heater_state_inverted_missing_and_in_watts() -> None:
    sound = logged(SensorSpec()).heater
    assert set(np.unique(sound)) == {0.0, 1.0}
    inverted = logged(SensorSpec(), Fault(Kind.HEATER_INVERTED, 0.0, 10.0)).heater
    assert (inverted == 1.0 - sound).all()
    assert np.isnan(logged(SensorSpec(), Fault(Kind.HEATER_MISSING, 0.0, 10.0)).heater).all()
    assert (logged(SensorSpec(heater="watts")).heater == sound * 11.7e3).all()


def test_a_heater_clock_that_is_ahead_shows_changes_later() -> None:
    """120 s at 10 s sampling: twelve rows."""
    sound, ahead = logged(SensorSpec()).heater, logged(SensorSpec(heater_clock=120.0)).heater
    assert (ahead[12:] == sound[:-12]).all()
    assert (ahead != sound).any()


def test_a_sensor_upstream_sees_the_street_only() -> None:
    """Growth does not pass the check valve: with no draws the street's wander is all there is.

    0.1 kPa: a trickle enters while the gas of the tank cools, and costs that much on its way.
    """

    def at(place: str, start: float) -> float:
        spec: PlantSpec = home("u")
        spec = replace(
            spec, draws=DrawSpec(kind="none"), heater=replace(spec.heater, start=start),
            sensors=SensorSpec(place=place, noise=0.0, resolution=0.0),
        )  # fmt: skip
        return float(simulate(spec, 1, 1, EPOCH).pressure.max())

    assert at("upstream", 20.0) == pytest.approx(at("upstream", 53.0), abs=0.1)
    assert at("line", 20.0) > at("line", 53.0) + 20.0


def test_heater_and_temperature_are_published_on_change_and_at_each_beat() -> None:
    site = Site(home(), 1, EPOCH)
    trace, report = next(site.days())
    edges = trace.heating.time[1:][np.diff(trace.heating.on)]
    assert len(edges) >= 4
    assert np.isin(edges, report.heater.time).all()
    assert np.diff(report.heater.time).max() <= 60.0
    assert len(report.temperature.time) == 1440


def test_a_closing_tap_knocks() -> None:
    """A sample within a tenth of a second of the closing shows the spike, one after two seconds does not."""
    events = ((3600.0, 99.95, 0.0, 2e-4), (7200.0, 97.0, 0.0, 2e-4))
    spec = replace(
        home("knock"), draws=DrawSpec(kind="list", events=events),
        sensors=SensorSpec(noise=0.0, resolution=0.0),
    )  # fmt: skip
    soft = replace(spec, line=replace(spec.line, hammer=0.0))
    knock = simulate(spec, 1, 1, EPOCH).pressure - simulate(soft, 1, 1, EPOCH).pressure
    assert np.abs(knock[370]) > 30.0
    assert np.abs(knock[730]) < 1.0
