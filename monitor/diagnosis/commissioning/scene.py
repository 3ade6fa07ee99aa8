"""Everything that the checks look at, measured once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.diagnosis.commissioning.answer import Answer, answer
from monitor.diagnosis.commissioning.expected import Expected, expected
from monitor.diagnosis.commissioning.heating import Heating, heating
from monitor.diagnosis.commissioning.replay import Level, Replay, level_of, replay
from monitor.diagnosis.commissioning.words import Voice
from monitor.diagnosis.report import Report
from monitor.estimation.plant import Plant, plant_of
from monitor.estimation.samples import Samples
from monitor.site import Site


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The rows of a site (at least two), and what they show.

    ``report``: what the analyser makes of them; ``refused``: reasons of messages of this site that could not
    be read, newest first.
    """

    site: Site
    plant: Plant
    rows: Samples
    voice: Voice
    level: Level
    expected: Expected
    heating: Heating
    answer: Answer | None
    replay: Replay
    report: Report
    refused: Sequence[str] = ()

    @property
    def span(self) -> float:
        """Seconds from the first row to the last."""
        return float(self.rows.time[-1] - self.rows.time[0])


def scene_of(site: Site, rows: Samples, report: Report, refused: Sequence[str] = ()) -> Scene:
    """Return what ``rows`` (at least two) show of a site."""
    plant = plant_of(site)
    level = level_of(rows)
    by_plates = expected(plant, level.level)
    return Scene(
        site,
        plant,
        rows,
        Voice(site),
        level,
        by_plates,
        heating(rows, plant),
        answer(rows, level.noise, (level.level, level.low, level.spread), by_plates.climb),
        replay(site, plant, rows),
        report,
        refused,
    )
