"""Typical systems, invented, on which the table of what is neglected is worked out. Gauge Pa, SI.

Their tanks have lost a tenth of their charge, as tanks do: a charge at the line or above it lies on its stop
for a part of the window, which bends the rise, and the gauge cuts such a part off.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from monitor.physics.fluids import Fluid, Glycol, glycol, mass_share, water
from monitor.physics.solids import COPPER, STEEL
from monitor.sizing.case import Part
from monitor.units import PSI

if TYPE_CHECKING:
    from collections.abc import Mapping

WINDOW: Final = 600.0
"""A heating window: the last ten minutes of a burn. [s]"""


@dataclass(frozen=True, slots=True)
class System:
    """One typical system.

    ``heater`` and ``pipes`` are the water that is heated and what encloses it; ``bore`` and ``wall`` of
    both [m]. ``pipes_heated``: a recovery warms their water too. ``loss`` is standby loss [W/K].
    ``cools``: hot pipe water [m³] that cools during a window, and by how many kelvin. ``height`` [m] between
    sensor and tank, ``span`` of the sensor [Pa], ``hand_span`` of a hand gauge [Pa]. ``share`` of the
    heater's water takes a window's heat, as the gauge assumes; ``glycol_share`` is propylene glycol by volume.
    """

    name: str
    title: str
    heater: Part
    heater_bore: float
    heater_wall: float
    pipes: Part
    pipe_bore: float
    pipe_wall: float
    pipes_heated: bool
    cold: float
    hot: float
    supply: float
    charge: float
    tank: float
    watts: float
    efficiency: float
    loss: float
    cools: tuple[float, float]
    height: float
    pocket: float
    share: float = 0.9
    glycol_share: float = 0.0
    span: float = 1.0e6
    hand_span: float = 160.0 * PSI

    @property
    def fluid(self) -> Fluid:
        """What fills it."""
        return filling(self.glycol_share)

    @property
    def site(self) -> tuple[Part, ...]:
        """What a site file names as the heater's water: of a loop, which has its own filling, all of it."""
        return (self.heater, self.pipes) if self.glycol_share else (self.heater,)

    @property
    def parts(self) -> tuple[Part, ...]:
        """The water that is heated from cold."""
        return (self.heater, self.pipes) if self.pipes_heated else (self.heater,)

    @property
    def content(self) -> float:
        """Volume of the water that is heated from cold. [m³]."""
        return sum(part.volume for part in self.parts)


def filling(volume_share: float) -> Fluid:
    """Return water with a share of propylene glycol by volume; plain water for 0."""
    return glycol(Glycol.PROPYLENE, mass_share(Glycol.PROPYLENE, volume_share)) if volume_share else water()


HOME: Final = System(
    name="home", title="Home: 150 L (40 gal) gas heater, 8 L tank, line 60 psi, 15 to 54 °C",
    heater=Part(0.150, STEEL), heater_bore=0.44, heater_wall=0.003,
    pipes=Part(0.0126, COPPER), pipe_bore=0.020, pipe_wall=0.001, pipes_heated=False,
    cold=15.0, hot=54.0, supply=60.0 * PSI, charge=54.0 * PSI, tank=0.008,
    watts=11.7e3, efficiency=0.77, loss=3.0, cools=(0.005, 5.0), height=2.0, pocket=0.05e-3,
)  # fmt: skip
PLANT_ROOM: Final = System(
    name="plant-room",
    title="Plant room: two 500 L indirect heaters with 200 L of circulation, 200 L tank, line 4 bar, 10 to 60 °C",
    heater=Part(1.0, STEEL), heater_bore=0.65, heater_wall=0.005,
    pipes=Part(0.2, COPPER), pipe_bore=0.050, pipe_wall=0.0015, pipes_heated=True,
    cold=10.0, hot=60.0, supply=400e3, charge=360e3, tank=0.200,
    watts=100e3, efficiency=0.85, loss=8.0, cools=(0.2, 1.0), height=3.0, pocket=0.5e-3,
    share=0.5,
)  # fmt: skip
LOOP: Final = System(
    name="loop",
    title="Heating loop: 1000 L with 30 % of propylene glycol by volume, 125 L tank, filled to 1.5 bar, 10 to 70 °C",
    heater=Part(0.3, STEEL), heater_bore=0.60, heater_wall=0.005,
    pipes=Part(0.7, STEEL), pipe_bore=0.040, pipe_wall=0.003, pipes_heated=True,
    cold=10.0, hot=70.0, supply=150e3, charge=120e3, tank=0.125,
    watts=60e3, efficiency=0.90, loss=6.0, cools=(0.1, 1.0), height=2.0, pocket=0.5e-3,
    glycol_share=0.30, span=0.6e6, hand_span=60.0 * PSI,
)  # fmt: skip

SYSTEMS: Final[Mapping[str, System]] = MappingProxyType({one.name: one for one in (HOME, PLANT_ROOM, LOOP)})
