"""Commissioning of simulated plants: sound ones of several kinds fit, and each mistake of a set-up is named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.diagnosis.commissioning.check import Code, Commissioning, Word
from monitor.estimation.samples import Samples
from monitor.service.commissioning import commission
from monitor.service.pipeline import hold
from monitor.service.settings import load_site
from simulator.catalogue import PLANTS, home
from simulator.faults import Fault, Kind
from simulator.files import site_toml
from simulator.recording import simulate
from simulator.scenario import demo_sites
from simulator.spec import PlantSpec

START = 1767571200.0  # 2026-01-05T00:00:00Z


def found(spec: PlantSpec, folder: Path) -> Commissioning:
    run = simulate(spec, 3, 1, START)
    path = folder / "site.toml"
    path.write_text(site_toml(spec))
    return commission(load_site(path), hold(Samples(run.time, run.pressure, run.heater, run.temperature)))


def sensed(**changes: object) -> Callable[[], PlantSpec]:
    spec = home("home")
    return lambda: replace(spec, sensors=replace(spec.sensors, **changes))  # type: ignore[arg-type]


SOUND = {
    "home": PLANTS["home-healthy"],
    "plant room": PLANTS["plant-room-healthy"],
    "behind a regulator": PLANTS["regulated-healthy"],
    "electric": lambda: demo_sites()[2].spec,
    "no temperature": sensed(temperature=False),
    "every second": sensed(interval=1.0),
    "jittered, with losses": sensed(interval=15.0, jitter=5.0, loss=0.03),
    "in watts": sensed(heater="watts"),
}


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_plant_fits(tmp_path: Path, name: str) -> None:
    result = found(SOUND[name](), tmp_path)
    assert {one.code: one.word for one in result.checks} == dict.fromkeys(Code, Word.FITS)
    assert result.accuracy is not None


MISTAKES: dict[str, tuple[Callable[[], PlantSpec], Code, Word]] = {
    "upstream": (PLANTS["sensor-upstream"], Code.SENSOR_PLACE, Word.WRONG),
    "no check valve": (PLANTS["check-absent"], Code.SENSOR_PLACE, Word.WRONG),
    "inverted": (lambda: home("home", Fault(Kind.HEATER_INVERTED, 0.0, 1e3)), Code.HEATER_STATE, Word.WRONG),
    "no state": (lambda: home("home", Fault(Kind.HEATER_MISSING, 0.0, 1e3)), Code.HEATER_STATE, Word.WRONG),
    "frozen": (lambda: home("home", Fault(Kind.FROZEN, 0.0, 1e3)), Code.PRESSURE_SIGNAL, Word.WRONG),
    "absolute": (sensed(offset=101325.0), Code.PRESSURE_UNIT, Word.WRONG),
    "every minute": (sensed(interval=60.0), Code.SAMPLING, Word.DOUBTFUL),
    "coarse": (sensed(noise=3e3, resolution=6895.0), Code.PRESSURE_SIGNAL, Word.DOUBTFUL),
    "clock ahead": (sensed(heater_clock=600.0), Code.CLOCKS, Word.WRONG),
    "another time zone": (sensed(heater_clock=7200.0), Code.CLOCKS, Word.WRONG),
    "waterlogged": (PLANTS["waterlogged"], Code.TANK, Word.WRONG),
    "too small": (PLANTS["undersized"], Code.TANK, Word.DOUBTFUL),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_named(tmp_path: Path, name: str) -> None:
    make, code, word = MISTAKES[name]
    result = found(make(), tmp_path)
    (one,) = [one for one in result.checks if one.code is code]
    assert one.word is word
    assert one.do
    assert not result.fits
