"""A system as it may really be: growth, worst-case peak, and what the gauge would make of one window.

Each knob of a `World` starts at what the methods and the gauge take for granted. The difference between
two worlds, the real and the believed one, is the error that the belief costs. Pure; pressures absolute [Pa]
unless a name says gauge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.physics import gas
from monitor.physics.atmosphere import SEA_LEVEL
from monitor.physics.bounds import FloatArray
from monitor.physics.fluids import ZERO, Fluid
from monitor.physics.pipes import Ends, run_compliance, wall_compliance, water_compliance
from monitor.physics.solids import Material, shell_growth
from monitor.sizing.typical import WINDOW, System

ROOM: Final = 20.0
"""Temperature of the cushion and of the room. [°C]"""

SHARE: Final = 0.65
"""Share of the heater's water that takes the heat of a window, as the gauge assumes. [-]"""

_STEPS: Final = 64  # of a window's heat: beta bends little, 1e-6 of the growth is left
_MOST: Final = 100.0  # times the pressure at rest, where the search for a peak ends


@dataclass(frozen=True, slots=True)
class World:
    """One state of affairs of ``system``.

    ``stays_cold``: share of water that a recovery leaves cold; ``walls_grow``: whether heat widens the
    walls, in a recovery and in a window; ``cooling``: standby loss [W]; ``heat``: factor on the heat;
    ``share`` of the heater that takes a window's heat; ``layer``: part of that heat which goes to water that
    is ``below`` [K] colder; ``leaks``: volume lost (-) or gained (+) in a recovery and in a window [m³];
    ``peak_elastic``, ``line_elastic``: dV/dp without the cushion, in a recovery and in a window; ``n``: gas
    exponents of both; ``gas_warms`` [K] in both; ``room`` [°C]; ``vapour`` [Pa] in the gas; ``pocket``: air
    in pipes [m³ at line pressure]; ``zero``: what the sensor shows too much [Pa]; ``hand``: what a hand
    gauge shows too much [Pa]; ``outside``: air pressure [Pa].
    """

    system: System
    fluid: Fluid
    cold: float
    hot: float
    supply: float
    charge: float
    tank: float
    share: float
    growth_pressure: float
    line_elastic: float
    peak_elastic: float = 0.0
    stays_cold: float = 0.0
    walls_grow: tuple[bool, bool] = (True, False)
    heat: float = 1.0
    cooling: float = 0.0
    layer: float = 0.0
    below: float = 0.0
    leaks: tuple[float, float] = (0.0, 0.0)
    n: tuple[float, float] = (1.0, 1.0)
    gas_warms: tuple[float, float] = (0.0, 0.0)
    room: float = ROOM
    vapour: float = 0.0
    pocket: float = 0.0
    zero: float = 0.0
    hand: float = 0.0
    outside: float = SEA_LEVEL


def base(system: System) -> World:
    """Return the world of the methods and the gauge: every knob at rest, the elasticity of the line known."""
    return World(
        system=system, fluid=system.fluid, cold=system.cold, hot=system.hot, supply=system.supply,
        charge=system.charge, tank=system.tank, share=SHARE,
        growth_pressure=system.supply + SEA_LEVEL, line_elastic=sum(elastic_parts(system)),
    )  # fmt: skip


def elastic_parts(system: System) -> tuple[float, float, float]:
    """Return dV/dp of the heater's shell, of the pipes, and of all the water. [m³/Pa]."""
    heater, pipes = system.heater, system.pipes
    if heater.material is None or pipes.material is None:
        return 0.0, 0.0, 0.0
    shell = heater.volume * float(
        wall_compliance(system.heater_bore, system.heater_wall, heater.material, Ends.FREE)
    )
    kappa = float(system.fluid.compressibility(0.5 * (system.cold + system.hot)))
    water = float(water_compliance(heater.volume + pipes.volume, kappa))
    return shell, run_elastic(system, pipes.material, system.pipe_wall), water


def run_elastic(system: System, material: Material, wall: float) -> float:
    """Return dV/dp [m³/Pa] of the walls of the pipes if they were of ``material``, ``wall`` [m] thick."""
    length = system.pipes.volume / (0.25 * np.pi * system.pipe_bore**2)
    return float(run_compliance(system.pipe_bore, wall, length, material, Ends.HELD))


def growth(world: World) -> float:
    """Return the volume that a full recovery pushes out. [m³]."""
    warmed = 1.0 - world.stays_cold
    swelling = float(world.fluid.swelling(world.cold, world.hot, world.growth_pressure))
    walls = 0.0
    if world.walls_grow[0]:
        walls = sum(
            float(shell_growth(part.volume, part.material, world.cold, world.hot))
            for part in world.system.parts
            if part.material is not None
        )
    return warmed * (world.system.content * swelling - walls) + world.leaks[0]


def peak(world: World) -> float:
    """Return what a full recovery reaches at the tank, without a relief valve. [gauge Pa]."""
    pressure = _after(world, world.charge - world.hand, growth(world), 0, world.peak_elastic)
    return pressure - world.outside


def window_growth(world: World) -> float:
    """Return the growth in a window at whose end the water has its setpoint. [m³]."""
    heat, drop = window_heat(world)
    left = (np.arange(_STEPS) + 0.5) / _STEPS
    t = world.hot - drop * left
    main = float(np.mean(_per_joule(world, t)))
    cooler = float(np.mean(_per_joule(world, t - world.below))) if world.layer else 0.0
    return heat * ((1.0 - world.layer) * main + world.layer * cooler) + world.leaks[1]


def window_heat(world: World) -> tuple[float, float]:
    """Return the heat of a window [J] and how far it warms the water that takes it. [K]."""
    system = world.system
    net = system.watts * system.efficiency * world.heat - world.cooling
    taking = system.content if system.glycol_share else system.heater.volume
    capacity = taking * float(world.fluid.density(world.hot) * world.fluid.heat_capacity(world.hot))
    return net * WINDOW, net * WINDOW / (capacity * world.share)


def recovery_seconds(world: World) -> float:
    """Return how long a full recovery takes. [s]."""
    system = world.system
    per_kelvin = float(world.fluid.density(world.hot) * world.fluid.heat_capacity(world.hot))
    return system.content * per_kelvin * (world.hot - world.cold) / (system.watts * system.efficiency)


def shown(world: World, charge: float) -> tuple[float, float]:
    """Return what the sensor shows at both ends of a window with ``charge`` [gauge Pa] in the tank. [gauge Pa]."""
    p2 = _after(world, charge, window_growth(world), 1, world.line_elastic)
    return world.supply + world.zero, p2 - world.outside + world.zero


def inferred(believed: World, p1: float, p2: float) -> float:
    """Return the air A [J] that ``believed`` makes of a window from ``p1`` to ``p2`` [gauge Pa].

    A (1/p1 - 1/p2) + Ce (p2 - p1) = dV, for n = 1.
    """
    low, high = p1 + believed.outside, p2 + believed.outside
    by_air = window_growth(believed) - believed.line_elastic * (high - low)
    return low * by_air / float(gas.taken_up(low, 1.0, high, believed.n[1]))


def _per_joule(world: World, t: FloatArray) -> FloatArray:
    """Return the growth for each joule [m³/J], less that of the walls, which are as warm as their water."""
    fluid, p = world.fluid, world.growth_pressure
    material = world.system.heater.material
    walls = 3.0 * material.linear_expansion if world.walls_grow[1] and material is not None else 0.0
    return fluid.expansion_per_joule(t, p) - walls / (fluid.density(t, p) * fluid.heat_capacity(t, p))


def _after(world: World, charge: float, volume: float, which: int, elastic: float) -> float:
    """Return the pressure after ``volume`` has come in: gas, vapour, walls; the root by halving."""
    start = world.supply + world.outside
    sealed = (charge + world.outside) * world.tank * (world.room + ZERO) / (ROOM + ZERO)
    stop = sealed / world.tank  # below it the diaphragm lies on its stop and takes nothing
    warm = 1.0 + world.gas_warms[which] / (world.room + ZERO)
    from_ = max(start, stop)
    # The vapour was in the gas when it was charged, and condenses as it is pressed.
    room = (sealed - world.vapour * world.tank) / (from_ - world.vapour) + world.pocket

    def over(p: float) -> float:
        dry, dry_start = p - world.vapour, from_ - world.vapour
        left = warm * float(gas.volume_at(dry_start, room, max(dry, dry_start), world.n[which]))
        return room - left + elastic * (p - start) - volume

    low, high = start, _MOST * start
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if over(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)
