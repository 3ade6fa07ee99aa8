"""Site files: what stands on the plates and in the visit book of one heating system.

Unknown values are left out; what is concluded about the site then has a wider interval.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Self

from pydantic import ValidationError, model_validator

from monitor import units
from monitor.service.settings.problems import ProblemsError, Table, explain, refuse
from monitor.service.settings.quantities import (
    Altitude,
    ChargePressure,
    Efficiency,
    HeaterInput,
    Label,
    LoopHeight,
    Mixture,
    ReliefPressure,
    Setpoint,
    SiteId,
    SupplyPressure,
    TankVolume,
    TimeZone,
    WaterVolume,
)
from monitor.service.settings.toml import read_toml
from monitor.site import Heater, HeaterKind, Site

PressureUnit = Literal["psi", "bar", "kPa", "MPa"]


class HeaterTable(Table):
    """``[heater]``: volume is all the water that is heated, input the fuel or electric power.

    Of a loop only: ``glycol`` names what is mixed into its water, ``height`` is the water above the tank.
    """

    kind: HeaterKind = HeaterKind.STORAGE
    volume: WaterVolume | None = None
    input: HeaterInput | None = None
    efficiency: Efficiency | None = None
    setpoint: Setpoint | None = None
    glycol: Mixture | None = None
    height: LoopHeight | None = None

    @model_validator(mode="after")
    def _height_of_loops_only(self) -> Self:
        """Refuse what would have no effect: tap water reaches its height by the pressure of the line."""
        if self.height is not None and self.kind is not HeaterKind.LOOP:
            raise refuse(
                f'height is that of a heating loop (kind = "loop") above its tank; leave it out for kind "{self.kind}"',
                at=("height",),
            )
        return self

    @model_validator(mode="after")
    def _glycol_in_loops_only(self) -> Self:
        """Refuse antifreeze in water that people drink and wash with."""
        if self.glycol is not None and self.kind is not HeaterKind.LOOP:
            raise refuse(
                f'glycol belongs in a heating loop (kind = "loop"), not in a heater of kind "{self.kind}"',
                at=("glycol",),
            )
        return self


class TankTable(Table):
    """``[tank]``: whole volume, and the air charge as last gauged with the water side relieved."""

    volume: TankVolume | None = None
    precharge: ChargePressure | None = None


class SupplyTable(Table):
    """``[supply]``: line at rest, as the tank sees it, and the local limit for it where it is not the usual."""

    pressure: SupplyPressure | None = None
    limit: SupplyPressure | None = None


class ReliefTable(Table):
    """``[relief]``: pressure at which the relief valve opens."""

    setting: ReliefPressure | None = None


class SiteTable(Table):
    """A whole site file."""

    id: SiteId
    name: Label = ""
    customer: Label = ""
    address: Label = ""
    altitude: Altitude = 0.0
    timezone: TimeZone = "UTC"
    unit: PressureUnit = "kPa"
    heater: HeaterTable = HeaterTable()
    tank: TankTable = TankTable()
    supply: SupplyTable = SupplyTable()
    relief: ReliefTable = ReliefTable()

    @model_validator(mode="after")
    def _relief_is_above(self) -> Self:
        """Refuse a relief valve that would stand open all the time."""
        setting = self.relief.setting
        lower = {"supply.pressure": self.supply.pressure, "tank.precharge": self.tank.precharge}
        for name, value in lower.items():
            if setting is not None and value is not None and setting <= value:
                raise refuse(
                    f"relief.setting ({self._show(setting)}) is not above {name} ({self._show(value)}): the "
                    "valve would stand open. Both are gauge; is one absolute, or in another unit?",
                    at=("relief", "setting"),
                )
        return self

    @model_validator(mode="after")
    def _limit_where_taps_are(self) -> Self:
        """Refuse a limit of the supply for a loop: its filling pressure is no static pressure at taps."""
        if self.supply.limit is not None and self.heater.kind is HeaterKind.LOOP:
            raise refuse(
                "supply.limit belongs to drinking water; the line of a heating loop (heater.kind = "
                '"loop") is not held against it: leave the key out',
                at=("supply", "limit"),
            )
        return self

    def _show(self, pressure: float) -> str:
        return f"{units.from_si(pressure, self.unit):.4g} {self.unit}"

    def site(self) -> Site:
        """Return the facts in SI units."""
        heater = Heater(
            self.heater.kind,
            self.heater.volume,
            self.heater.input,
            self.heater.efficiency,
            self.heater.setpoint,
            self.heater.glycol,
            self.heater.height,
        )
        return Site(
            id=self.id,
            name=self.name,
            altitude=self.altitude,
            timezone=self.timezone,
            unit=self.unit,
            heater=heater,
            tank_volume=self.tank.volume,
            precharge=self.tank.precharge,
            supply=self.supply.pressure,
            relief=self.relief.setting,
            supply_limit=self.supply.limit,
            customer=self.customer,
            address=self.address,
        )


def load_site(path: Path) -> Site:
    """Return the site that a file describes; `ProblemsError` with every reason if it is wrong."""
    document = read_toml(path)
    try:
        return SiteTable.model_validate(document.values).site()
    except ValidationError as exc:
        raise ProblemsError(explain(exc, SiteTable, path, document.lines)) from exc
