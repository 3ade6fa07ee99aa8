"""A site with a history that ends now: a day of a simulated plant, and what an offline analysis finds in it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from monitor.diagnosis.faults import Finding
from monitor.estimation.samples import Samples
from monitor.ingest.logfile import read_log
from monitor.readings import Origin, Point, default_topic, encode_samples
from monitor.service.clock import SystemClock
from monitor.service.pipeline import examine
from monitor.service.settings import load_site
from monitor.site import Site
from simulator.catalogue import PLANTS
from simulator.files import write_all
from simulator.recording import simulate

DAY: Final = 86400.0
LENGTH: Final = 20 * 3600.0
"""Seconds of the log: so short that the service never takes the wait for the next message for silence."""
UNITS: Final = {Point.PRESSURE: "kPa", Point.HEATER: "", Point.TEMPERATURE: "degC"}


@dataclass(frozen=True)
class Story:
    """A site, its samples and the findings that belong to them."""

    site: Site
    toml: str
    samples: Samples
    findings: list[Finding]

    @property
    def references(self) -> set[str]:
        """Return how alerts that tell of the beginning of its faults are signed, up to their time."""
        return {f"{self.site.id}/{found.fault}/" for found in self.findings}

    def sent(self) -> int:
        """Return how many samples it has."""
        columns = (self.samples.pressure, self.samples.heater, self.samples.temperature)
        return int(sum(np.isfinite(column).sum() for column in columns)) + 1

    def messages(self, rng: random.Random, *, boot: str = "") -> Iterator[tuple[str, bytes]]:
        """Yield it as messages of random length, states before pressure; numbered where ``boot`` is given."""
        samples = self.samples
        columns = {
            Point.TEMPERATURE: samples.temperature.tolist(),
            Point.HEATER: samples.heater.tolist(),
            Point.PRESSURE: samples.pressure.tolist(),
        }
        times, first, number = samples.time.tolist(), 0, 0
        while first < len(times):
            last = first + rng.randint(1, 200)
            for point, column in columns.items():
                known = [
                    (when, value)
                    for when, value in zip(times[first:last], column[first:last], strict=True)
                    if value == value  # noqa: PLR0124 - not NaN
                ]
                if known:
                    number += 1
                    origin = Origin(f"device-{self.site.id}", boot, number) if boot else None
                    topic = default_topic(self.site.id, point)
                    yield topic, encode_samples(known, UNITS[point], origin)
            first = last
        # One more word from the site, so that the last rows are final.
        yield (
            default_topic(self.site.id, Point.HEATER),
            encode_samples([(times[-1] + 20.0, 0.0)], ""),
        )


def tell(plant: str, folder: Path, now: float, seed: int = 1) -> Story:
    """Return the last 20 hours of a plant of the catalogue."""
    epoch = now // 10 * 10 - DAY
    write_all(simulate(replace(PLANTS[plant](), unit="kPa"), 1, seed, epoch), folder, "csv")
    site = load_site(folder / "SITE.toml")
    samples = read_log(folder / "READINGS.csv", site.unit).samples
    samples = samples.between(int(np.searchsorted(samples.time, epoch + DAY - LENGTH)), len(samples))
    findings = list(examine(site, samples, [], lambda _: None).findings)
    return Story(site, (folder / "SITE.toml").read_text(), samples, findings)


def copies(plant: str, count: int, folder: Path) -> list[Story]:
    """Return one story at ``count`` sites."""
    if not count:
        return []
    one = tell(plant, folder / "plant", SystemClock().now())
    return [
        replace(
            one,
            site=replace(one.site, id=f"{one.site.id}-{number}"),
            toml=one.toml.replace(f'"{one.site.id}"', f'"{one.site.id}-{number}"'),
        )
        for number in range(count)
    ]
