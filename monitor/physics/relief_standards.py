"""What standards allow of relief valves, as data: standards and codes, no makes.

Gauge pressures [Pa]. Each entry says how sure it is; the plate on the valve and the local code always win.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.physics.bounds import FloatArray
from monitor.units import PSI

BAR: Final = 1e5


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
    early, late : Band
        How far below and above its setting a sound valve may begin to open.
    overpressure : Band
        How far above its setting it must give its rated flow.
    blowdown : Band or None
        How far below its setting it must have shut; None where the standard sets no limit.
    settings : tuple of float
        Usual set pressures. [Pa gauge]
    temperature : float or None
        Where a thermal element opens it whatever the pressure, at the latest. [°C]
    source : str
        Clauses, and which figures are from memory.
    sure : Sure
        Of the least sure figure.
    """

    name: str
    use: str
    early: Band
    late: Band
    overpressure: Band
    blowdown: Band | None
    settings: tuple[float, ...]
    temperature: float | None
    source: str
    sure: Sure


def _psi(*values: float) -> tuple[float, ...]:
    return tuple(value * PSI for value in values)


def _bar(*values: float) -> tuple[float, ...]:
    return tuple(value * BAR for value in values)


_VIII = Band(2.0 * PSI, 0.03, knee=70.0 * PSI)
_IV = Band(3.0 * PSI, 0.05, knee=60.0 * PSI)
_ISO = Band(0.1 * BAR, 0.03)
_TENTH = Band(0.0, 0.10)
_FIFTH = Band(0.0, 0.20)

ASME_VIII: Final = ReliefStandard(
    name="ASME BPVC VIII-1",
    use="pressure vessels",
    early=_VIII,
    late=_VIII,
    overpressure=Band(3.0 * PSI, 0.10),
    blowdown=None,
    settings=_psi(100.0, 125.0, 150.0),
    temperature=None,
    source="UG-134(d)(1), edition 2015, now XIII: +-2 psi to 70 psi, +-3 % above, seen; "
    "UG-131 10 % or 3 psi, and no limit of reseat on liquid, from memory",
    sure=Sure.MEMORY,
)
ASME_IV: Final = ReliefStandard(
    name="ASME BPVC IV",
    use="hot-water heating boilers and hot-water supply boilers",
    early=_IV,
    late=_IV,
    overpressure=_TENTH,
    blowdown=None,
    settings=_psi(30.0, 36.0, 45.0, 50.0, 75.0, 100.0, 125.0, 150.0),
    temperature=None,
    source="HG-401, HG-402: +-3 psi to 60 psi, +-5 % above, 10 % over, no limit of reseat on water, from "
    "memory; New York's code rule 4-5.3 allows 20 % over to 30 psi and 10 % above, seen",
    sure=Sure.MEMORY,
)
ANSI_Z21_22: Final = ReliefStandard(
    name="ANSI Z21.22 / CSA 4.4",
    use="storage water heaters, temperature and pressure; not meant to control thermal expansion",
    early=_IV,
    late=_IV,
    overpressure=_TENTH,
    blowdown=None,
    settings=_psi(75.0, 100.0, 125.0, 150.0),
    temperature=99.0,
    source="opens at 210 °F (99 °C) or less: scope 1.2, edition 2015, seen; its pressure tolerances were not "
    "seen and are taken as those of ASME IV, whose mark such valves commonly carry too",
    sure=Sure.MEMORY,
)
ISO_4126_1: Final = ReliefStandard(
    name="EN ISO 4126-1",
    use="safety valves in general, on water",
    early=_ISO,
    late=_ISO,
    overpressure=Band(0.1 * BAR, 0.10),
    blowdown=Band(0.6 * BAR, 0.20),
    settings=_bar(2.5, 3.0, 4.0, 6.0, 8.0, 10.0),
    temperature=None,
    source="edition 2013 with amendment 1 of 2016, limits a, c, d for incompressible fluids",
    sure=Sure.SEEN,
)
EN_12828: Final = ReliefStandard(
    name="EN 12828",
    use="water-based heating loops",
    early=_ISO,
    late=_ISO,
    overpressure=_TENTH,
    blowdown=Band(0.6 * BAR, 0.20),
    settings=_bar(2.5, 3.0, 4.0, 5.0, 6.0),
    temperature=None,
    source="10 % over second-hand; tolerance and reseat by EN ISO 4126-1, to which it refers, from memory",
    sure=Sure.MEMORY,
)
EN_1489: Final = ReliefStandard(
    name="EN 1489",
    use="storage water heaters, pressure",
    early=_TENTH,
    late=Band(0.0, 0.30),
    overpressure=Band(0.0, 0.30),
    blowdown=_FIFTH,
    settings=_bar(4.0, 6.0, 7.0, 8.0, 10.0),
    temperature=None,
    source="5.1 e, edition 2000: opening at 1.3 of the setting at most, seen; rated flow at 1.2 (VdTÜV "
    "leaflet on such valves, seen) cannot be promised before that; 10 % early and reseat from memory",
    sure=Sure.MEMORY,
)
EN_1490: Final = ReliefStandard(
    name="EN 1490",
    use="storage water heaters, temperature and pressure; no expansion valve",
    early=_TENTH,
    late=_TENTH,
    overpressure=_FIFTH,
    blowdown=_FIFTH,
    settings=_bar(4.0, 6.0, 7.0, 8.0, 10.0),
    temperature=95.0,
    source="class A opens at 90 to 95 °C (class B at 75 to 80), draft of 2025, seen; pressures as EN 1491, "
    "from memory",
    sure=Sure.MEMORY,
)
EN_1491: Final = ReliefStandard(
    name="EN 1491",
    use="expansion water on the cold feed of storage water heaters, to 10 bar and 95 °C",
    early=_TENTH,
    late=_TENTH,
    overpressure=_FIFTH,
    blowdown=_FIFTH,
    settings=_bar(4.0, 6.0, 7.0, 8.0, 10.0),
    temperature=None,
    source="rated flow at 1.2 of the setting (VdTÜV leaflet on such valves, seen); tolerance, reseat and "
    "settings from memory",
    sure=Sure.MEMORY,
)
EN_1488: Final = replace(
    EN_1491, name="EN 1488", use="expansion groups: the valve of EN 1491 with its fittings"
)

STANDARDS: Final[Mapping[str, ReliefStandard]] = MappingProxyType(
    {
        standard.name: standard
        for standard in (
            ASME_VIII,
            ASME_IV,
            ANSI_Z21_22,
            ISO_4126_1,
            EN_12828,
            EN_1488,
            EN_1489,
            EN_1490,
            EN_1491,
        )
    }
)
