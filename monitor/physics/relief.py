"""Relief valves by standard: where they open, where they give their full flow, where they shut.

Standards and codes, no makes. Gauge pressures [Pa] throughout: a spring works against the room.
Each entry says how sure it is. The plate on the valve and the local code always win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.physics.bounds import FloatArray, above
from monitor.units import PSI


class Sure(StrEnum):
    """How well a number of this module is known."""

    SEEN = "seen in the text, or in a code that adopts it"
    SECOND_HAND = "second-hand"
    MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Band:
    """A tolerance: ``absolute`` [Pa] up to ``knee`` [Pa], ``share`` of the setting above it.

    Without a knee the greater of both counts.
    """

    absolute: float
    share: float
    knee: float | None = None

    def of(self, setting: FloatArray) -> FloatArray:
        """Return the tolerance at ``setting``. [Pa]."""
        relative = self.share * setting
        if self.knee is None:
            return np.asarray(np.maximum(self.absolute, relative), dtype=np.float64)
        return np.where(setting <= self.knee, self.absolute, relative)


@dataclass(frozen=True, slots=True)
class ReliefStandard:
    """What one standard allows of a relief valve.

    Attributes
    ----------
    name : str
        Number of the standard.
    use : str
        What such a valve guards.
    opening : Band
        How far from its setting a valve may open, up or down.
    overpressure : Band
        How far above its setting it must give its rated flow.
    blowdown : Band or None
        How far below its setting it must have shut; None where the standard sets no limit.
    settings : tuple of float
        Usual set pressures. [Pa gauge]
    source : str
        Clause, and what is known of it.
    sure : Sure
        The least sure of the figures.
    """

    name: str
    use: str
    opening: Band
    overpressure: Band
    blowdown: Band | None
    settings: tuple[float, ...]
    source: str
    sure: Sure


ASME_VIII: Final = ReliefStandard(
    name="ASME BPVC VIII-1",
    use="pressure vessels",
    opening=Band(2.0 * PSI, 0.03, knee=70.0 * PSI),
    overpressure=Band(3.0 * PSI, 0.10),
    blowdown=None,
    settings=(),
    source="UG-134 (now Section XIII): +-2 psi up to 70 psi, +-3 % above; UG-131: 10 % or 3 psi",
    sure=Sure.SECOND_HAND,
)
STANDARDS: Final[Mapping[str, ReliefStandard]] = MappingProxyType(
    {standard.name: standard for standard in (ASME_VIII,)}
)


def opening_range(setting: ArrayLike, standard: ReliefStandard) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and the highest pressure at which a sound valve may begin to open. [Pa gauge].

    Parameters
    ----------
    setting : array_like
        Set pressure on the plate. [Pa gauge], > 0
    standard : ReliefStandard
        One of `STANDARDS`.

    Raises
    ------
    OutOfRangeError
        If a setting is not above 0.

    Examples
    --------
    >>> [round(float(p) / 6894.757, 1) for p in opening_range(150 * 6894.757, ASME_VIII)]
    [145.5, 154.5]
    """
    plate = _setting(setting)
    tolerance = standard.opening.of(plate)
    return np.maximum(plate - tolerance, 0.0), plate + tolerance


def full_flow(setting: ArrayLike, standard: ReliefStandard) -> FloatArray:
    """Return the pressure at which the valve gives its rated flow at the latest. [Pa gauge]."""
    plate = _setting(setting)
    return plate + standard.overpressure.of(plate)


def reseat(setting: ArrayLike, standard: ReliefStandard) -> FloatArray:
    """Return the lowest pressure at which a valve that has opened shuts again. [Pa gauge].

    0 where the standard sets no limit: such a valve may, by the letter, run the line empty.
    """
    plate = _setting(setting)
    if standard.blowdown is None:
        return np.zeros_like(plate)
    return np.maximum(plate - standard.blowdown.of(plate), 0.0)


def _setting(setting: ArrayLike) -> FloatArray:
    return above(setting, "relief setting", "Pa gauge")
