"""What is to be sized: the water, the tank that is there, the pressures that count. SI, pressures gauge.

``None`` means "not given": `monitor.sizing.size` then assumes a value and says so in its result.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.physics.fluids import Fluid, water
from monitor.physics.solids import STEEL, Material


class Use(StrEnum):
    """What the heated water is for."""

    DOMESTIC = "domestic"
    HEATING = "heating"


class Method(StrEnum):
    """Whose method sizes the tank."""

    ASHRAE = "ashrae"
    EN12828 = "en12828"
    POTABLE = "potable"


class TankKind(StrEnum):
    """Whether a diaphragm or bladder keeps air and water apart."""

    DIAPHRAGM = "diaphragm"
    PLAIN = "plain"


class Code(StrEnum):
    """Whose limits of pressure hold where no other is given."""

    US = "us"
    EUROPE = "europe"


@dataclass(frozen=True, slots=True)
class Part:
    """Water that is heated, by what encloses it; a shell of unknown material (None) is taken not to grow."""

    volume: float
    material: Material | None = STEEL


@dataclass(frozen=True, slots=True)
class PresentTank:
    """The tank that is there: nominal volume [m³], air charge as last gauged [gauge Pa] if known."""

    volume: float
    precharge: float | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One sizing question.

    Parameters
    ----------
    parts
        The heated water, at least one part. [m³]
    hot, cold
        Highest temperature, and that of cold (domestic) or filling (heating) water. [°C]
    supply
        Pressure at the tank with everything cold: the line at rest (domestic) or the filling pressure
        (heating). [gauge Pa]
    height
        Static height of water above the tank; heating without ``supply`` derives its pressures from it. [m]
    precharge
        Air charge to pump to, where it shall not be what the method says. [gauge Pa]
    charge_below
        How far the air charge shall stay under the supply pressure; domestic only. [Pa]
    relief
        Setting of the relief valve. [gauge Pa]
    highest
        Pressure at the tank that the growth must not pass. [gauge Pa]
    supply_limit
        Line pressure above which a reducing valve is required. [gauge Pa]
    altitude
        Above sea level. [m]
    present
        The tank that is there or is replaced.
    fit
        Volume of the tank that is bought, where it is known; else the next preferred number is taken. [m³]
    tank_mass
        Mass of the empty new tank. [kg]
    """

    use: Use
    parts: tuple[Part, ...]
    hot: float
    method: Method | None = None
    code: Code = Code.EUROPE
    fluid: Fluid | None = None
    tank: TankKind = TankKind.DIAPHRAGM
    cold: float | None = None
    supply: float | None = None
    height: float | None = None
    precharge: float | None = None
    charge_below: float = 0.0
    relief: float | None = None
    highest: float | None = None
    supply_limit: float | None = None
    altitude: float = 0.0
    present: PresentTank | None = None
    fit: float | None = None
    tank_mass: float | None = None

    @property
    def content(self) -> float:
        """All water that is heated. [m³]."""
        return sum(part.volume for part in self.parts)

    @property
    def medium(self) -> Fluid:
        """What fills the system: water unless told otherwise."""
        return self.fluid or water()

    @property
    def way(self) -> Method:
        """The method asked for, or the usual one of the use and code."""
        if self.method is not None:
            return self.method
        if self.use is Use.DOMESTIC:
            return Method.POTABLE
        return Method.ASHRAE if self.code is Code.US else Method.EN12828
