"""What the estimator assumes of a plant before it has seen a reading, and how unsure it is of that.

Derived once from the site's facts. Absolute pressures [Pa], volumes [m³], air A = p V [J].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.physics.atmosphere import pressure_at
from monitor.physics.cushion import SHELL_COMPLIANCE, STEEL_LINEAR_EXPANSION
from monitor.physics.fluids import Fluid, Glycol, glycol, water
from monitor.site import Heater, HeaterKind, Site

# Conversion of fuel or electricity to heat in the water, and its standard uncertainty: gas 0.76-0.82,
# electric 0.98 (field handbooks, second-hand); indirect and loops see a boiler of unknown make.
_EFFICIENCY: Final = {
    HeaterKind.STORAGE: (0.78, 0.06),
    HeaterKind.INDIRECT: (0.85, 0.08),
    HeaterKind.ELECTRIC: (0.98, 0.02),
    HeaterKind.LOOP: (0.85, 0.08),
}
# Share of the heater's water that a burn warms towards its end. A flame under the tank stirs nearly all of
# it; an element or a coil heats what is above it, and cold water stays below (common practice, no source).
_SHARE_HEATED: Final = {
    HeaterKind.STORAGE: 0.9,
    HeaterKind.INDIRECT: 0.5,
    HeaterKind.ELECTRIC: 0.5,
    HeaterKind.LOOP: 0.9,
}
_INPUT_SD: Final = 0.03  # a name plate is right to 5 % (rectangular: 5 % / sqrt 3)
_INPUT_GUESS: Final = (10e3, 0.6)  # W and relative sd where no input is given
_SETPOINT_GUESS: Final = (54.0, 0.09)  # °C; ±6 K in the expansion per joule at 1.5 % per K
_SETPOINT_SD: Final = 0.035  # a given setpoint: ±2.5 K of thermostat, in the expansion per joule
_EFFICIENCY_GIVEN_SD: Final = 0.025
_LAYERS_SD: Final = 0.06  # cold layers in the heater may take the heat, 4 K under the mean or more
_TANK_SD: Final = 0.015  # nominal against real tank volume
_TANK_GUESS: Final = 0.055  # of the heated water, where no tank volume is given (common practice, no source)
_TANK_GUESS_SD: Final = 0.4
_HEATER_VOLUME_GUESS: Final = 0.15
_CHARGE_GUESS: Final = 400e3  # gauge Pa: about 58 psi, a common town pressure
_LOOP_CHARGE_GUESS: Final = 130e3  # gauge Pa: a loop is filled to 1 or 2 bar (common practice, no source)
_LOOP_SETPOINT_GUESS: Final = (65.0, 0.12)  # °C; radiators of today and of yesterday, 55 to 75 (no source)
_MIXTURE_SD: Final = 0.06  # swelling of a glycol mixture: up to 20 % (rectangular, one side) between sources
_WARM: Final = 40.0  # °C at which heat capacity and compressibility stand for the whole range
_COLD: Final = 10.0  # °C of cold water where nothing is measured
PIPE_COMPLIANCE: Final = 2.0e-9
"""Compliance of pipes, hoses and trapped air per heater volume [1/Pa]: order of magnitude (no source)."""


@dataclass(frozen=True, slots=True)
class Plant:
    """Constants of one plant; ``*_sd`` are relative standard uncertainties.

    ``full_recovery`` is the volume [m³] that heating the whole water from cold to setpoint pushes out.
    ``air_stated`` is the air by the last gauge reading of the site file, ``air_nominal`` that of a tank
    charged as it should be: to ``charge_target``, the supply pressure at the tank (of a loop: as stated);
    where nobody has stated it (``target_stated``), the line at rest tells better than this.
    ``shell_per_joule`` is the room [m³/J] that the steel around the heated water makes by growing with it.
    """

    loop: bool
    fluid: Fluid
    atmosphere: float
    watts: float
    efficiency: float
    setpoint: float
    full_recovery: float
    heat_capacity: float
    share_heated: float
    shell_per_joule: float
    tank_volume: float
    air_stated: float
    air_nominal: float
    charge_target: float
    target_stated: bool
    supply: float | None
    relief: float | None
    elastic: float
    elastic_sd: float
    scale_sd: float

    @property
    def air_most(self) -> float:
        """Largest air that is still believed: what looks larger has been vented, not cushioned. [J]."""
        return 1.8 * max(self.air_nominal, self.air_stated) * math.exp(2.0 * self.scale_sd)

    def charge_gauge(self, air: float) -> float:
        """Return what a gauge on the relieved tank would read [Pa]; an empty tank reads 0, never less."""
        return max(air / self.tank_volume - self.atmosphere, 0.0)

    def air_of(self, gauge: float) -> float:
        """Return the air [J] of an air charge gauged at ``gauge`` [Pa]."""
        return (gauge + self.atmosphere) * self.tank_volume


def plant_of(site: Site) -> Plant:
    """Return the assumptions for ``site``; what is not known is guessed and widens ``scale_sd``."""
    heater = site.heater
    atmosphere = pressure_at(site.altitude)
    watts, input_sd = _INPUT_GUESS if heater.input is None else (heater.input, _INPUT_SD)
    efficiency, efficiency_sd = (
        _EFFICIENCY[heater.kind] if heater.efficiency is None else (heater.efficiency, _EFFICIENCY_GIVEN_SD)
    )
    loop = heater.kind is HeaterKind.LOOP
    guess = _LOOP_SETPOINT_GUESS if loop else _SETPOINT_GUESS
    setpoint, setpoint_sd = guess if heater.setpoint is None else (heater.setpoint, _SETPOINT_SD)
    order = (site.precharge, site.supply) if loop else (site.supply, site.precharge)
    target = next((p for p in order if p is not None), _LOOP_CHARGE_GUESS if loop else _CHARGE_GUESS)
    stated = target if site.precharge is None else site.precharge
    volume = _HEATER_VOLUME_GUESS if heater.volume is None else heater.volume
    tank_volume, tank_sd = (
        (_TANK_GUESS * volume, _TANK_GUESS_SD) if site.tank_volume is None else (site.tank_volume, _TANK_SD)
    )
    fluid = _fluid(heater)
    mixture_sd = 0.0 if heater.antifreeze is None else _MIXTURE_SD
    per_volume = float(fluid.compressibility(_WARM)) + SHELL_COMPLIANCE + PIPE_COMPLIANCE
    per_kelvin = float(fluid.density(_WARM) * fluid.heat_capacity(_WARM))
    return Plant(
        loop=loop,
        fluid=fluid,
        atmosphere=atmosphere,
        watts=watts,
        efficiency=efficiency,
        setpoint=setpoint,
        full_recovery=_full_recovery(fluid, volume, setpoint),
        heat_capacity=volume * per_kelvin,
        share_heated=_SHARE_HEATED[heater.kind],
        shell_per_joule=3.0 * STEEL_LINEAR_EXPANSION / per_kelvin,
        tank_volume=tank_volume,
        air_stated=(stated + atmosphere) * tank_volume,
        air_nominal=(target + atmosphere) * tank_volume,
        charge_target=target,
        target_stated=order != (None, None) if loop else site.supply is not None,
        supply=site.supply,
        relief=site.relief,
        elastic=volume * per_volume,
        elastic_sd=0.9,
        scale_sd=math.hypot(input_sd, efficiency_sd, setpoint_sd, tank_sd, _LAYERS_SD, mixture_sd),
    )


def _fluid(heater: Heater) -> Fluid:
    mixture = heater.antifreeze
    return water() if mixture is None else glycol(Glycol(mixture.kind), mixture.mass_share)


def _full_recovery(fluid: Fluid, volume: float, setpoint: float) -> float:
    """Volume that a recovery from cold to setpoint pushes out, less the growth of the shell. [m³]."""
    shell = 3.0 * STEEL_LINEAR_EXPANSION * (setpoint - _COLD)
    return volume * (float(fluid.swelling(_COLD, setpoint)) - shell)
