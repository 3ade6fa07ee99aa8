"""What is known of one site, in SI units: the facts on the plates and in the visit book.

Frozen and free of I/O; ``monitor.service.settings`` reads it from a site file.
Pressures here are gauge, in Pa; ``None`` means "not known" and widens what is concluded.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class HeaterKind(StrEnum):
    """How the water is heated; decides efficiency and thermal lag where they are not given."""

    STORAGE = "storage"
    INDIRECT = "indirect"
    ELECTRIC = "electric"
    LOOP = "loop"


class VisitAction(StrEnum):
    """What was done to the tank at a service visit.

    ``GAUGED``: its air charge was read and left as found. ``REFILLED``: air was pumped in or let out.
    ``LOOKED``: nothing was gauged; what was seen is noted.
    """

    GAUGED = "gauged"
    REFILLED = "refilled"
    REPLACED = "replaced"
    LOOKED = "looked"


@dataclass(frozen=True, slots=True)
class Antifreeze:
    """Glycol in a loop's water: ``kind`` "propylene" or "ethylene", mass of glycol over mass of mixture."""

    kind: str
    mass_share: float


@dataclass(frozen=True, slots=True)
class Heater:
    """The heater: water volume [m³], fuel or electric input [W], conversion to the water, setpoint [°C].

    Of a loop only: ``antifreeze``, None for plain water; ``height`` of water above the tank, up to the top. [m]
    """

    kind: HeaterKind = HeaterKind.STORAGE
    volume: float | None = None
    input: float | None = None
    efficiency: float | None = None
    setpoint: float | None = None
    antifreeze: Antifreeze | None = None
    height: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """One closed water-heating system. Pressures gauge [Pa], volumes [m³], altitude [m].

    ``supply_limit``: pressure that the line at rest may not pass here, None where the usual code holds.
    ``customer``: whose it is; ``address``: where one drives to; both empty where not told.
    """

    id: str
    name: str = ""
    altitude: float = 0.0
    timezone: str = "UTC"
    unit: str = "kPa"
    heater: Heater = Heater()
    tank_volume: float | None = None
    precharge: float | None = None
    supply: float | None = None
    relief: float | None = None
    supply_limit: float | None = None
    customer: str = ""
    address: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """A service visit: gauge pressures [Pa] with the water side relieved; ``time`` in epoch seconds UTC.

    ``precharge`` is the air charge as the visit left it: as found for ``gauged``, as pumped for
    ``refilled`` and ``replaced``; ``found`` is the charge before anything was done, where it was another.
    ``water_at_valve`` is None where nobody looked, and ``leak`` too: empty where none was seen, else where.
    ``tank_volume`` [m³] is that of a tank that was put in. ``who`` and ``note`` are empty where not told.
    """

    time: float
    action: VisitAction
    precharge: float | None = None
    supply: float | None = None
    water_at_valve: bool | None = None
    found: float | None = None
    leak: str | None = None
    tank_volume: float | None = None
    who: str = ""
    note: str = ""

    @property
    def before(self) -> float | None:
        """Return the air charge that the visit found. [gauge Pa]."""
        if self.found is None and self.action is VisitAction.GAUGED:
            return self.precharge
        return self.found

    @property
    def torn(self) -> bool:
        """Tell whether the tank that hangs there now gave water at its air valve."""
        return self.water_at_valve is True and self.action is not VisitAction.REPLACED
