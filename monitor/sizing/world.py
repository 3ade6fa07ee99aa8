"""A system as it may really be: growth, worst-case peak, and what the gauge would make of one window.

Each knob of a `World` starts at what the methods and the gauge take for granted; a test holds it to what
`monitor.estimation`, which may not be imported here, takes for granted. The difference between two worlds,
the real and the believed one, is the error that the belief costs. Pure; pressures absolute [Pa] unless a
name says gauge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.physics import gas
from monitor.physics.atmosphere import SEA_LEVEL
from monitor.physics.bounds import FloatArray
from monitor.physics.cushion import SHELL_COMPLIANCE
from monitor.physics.fluids import ZERO, Fluid
from monitor.physics.pipes import Ends, run_compliance, wall_compliance, water_compliance
from monitor.physics.solids import Material
from monitor.sizing.case import Part
from monitor.sizing.typical import WINDOW, System

ROOM: Final = 20.0
"""Temperature of the cushion and of the room. [°C]"""

WARM: Final = 40.0
"""Where the gauge takes heat capacity and compressibility. [°C]"""

PIPE_COMPLIANCE: Final = 2.0e-9
"""What the gauge assumes of pipes, hoses and trapped air, per heated volume. [1/Pa]"""

_STEPS: Final = 64  # of a window's heat: beta bends little, 1e-6 of the growth is left
_MOST: Final = 100.0  # times the pressure at rest, where the search for a peak ends


@dataclass(frozen=True, slots=True)
class World:
    """One state of affairs of ``system``.

    ``stays_cold``: share of water that a recovery leaves cold; ``walls_warm``: how far the walls follow the
    water's temperature, 0 not at all; ``shell``: what the heater's is made of; ``swells``: factor on the
    swelling, in a recovery and in a window; ``cooling``: standby loss [W]; ``heat``: factor on the heat;
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
    walls_warm: float = 1.0
    shell: Material | None = None
    swells: tuple[float, float] = (1.0, 1.0)
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
    """Return the world of the methods and the gauge: every knob at rest, the line as elastic as it assumes."""
    return World(
        system=system, fluid=system.fluid, cold=system.cold, hot=system.hot, supply=system.supply,
        charge=system.charge, tank=system.tank, share=system.share,
        growth_pressure=system.supply + SEA_LEVEL, line_elastic=assumed_elastic(system),
    )  # fmt: skip


def assumed_elastic(system: System) -> float:
    """Return dV/dp that the gauge assumes of water, shell, pipes, hoses and trapped air. [m³/Pa]."""
    per_volume = float(system.fluid.compressibility(WARM)) + SHELL_COMPLIANCE + PIPE_COMPLIANCE
    return _volume(system.site) * per_volume


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
    swelling = world.swells[0] * float(world.fluid.swelling(world.cold, world.hot, world.growth_pressure))
    walls = _widening(world, world.system.parts) * (world.hot - world.cold)
    return world.system.content * warmed * (swelling - walls) + world.leaks[0]


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
    capacity = _volume(system.site) * float(world.fluid.density(WARM) * world.fluid.heat_capacity(WARM))
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


def inferred(believed: World, p1: float, p2: float, scale: float = 1.0) -> float:
    """Return the air A [J] that ``believed`` makes of a window from ``p1`` to ``p2`` [gauge Pa].

    A (1/p1 - 1/p2) + Ce (p2 - p1) = s dV, for n = 1; ``scale`` is the s of the site.
    """
    by_air = scale * window_growth(believed) - believed.line_elastic * (p2 - p1)
    return by_air / _per_air(believed, p1, p2)


def scale_of(believed: World, air: float, p1: float, p2: float) -> float:
    """Return the s at which ``believed`` makes ``air`` [J] of a window: what a gauge reading teaches."""
    taken = air * _per_air(believed, p1, p2) + believed.line_elastic * (p2 - p1)
    return taken / window_growth(believed)


def _per_air(world: World, p1: float, p2: float) -> float:
    """Return 1/p1 - 1/p2 [1/Pa] of gauge pressures, for n = 1."""
    low, high = p1 + world.outside, p2 + world.outside
    return float(gas.taken_up(low, 1.0, high, world.n[1])) / low


def _per_joule(world: World, t: FloatArray) -> FloatArray:
    """Return the growth for each joule [m³/J], less that of the walls around the water."""
    fluid, p = world.fluid, world.growth_pressure
    walls = _widening(world, world.system.site) / float(fluid.density(WARM, p) * fluid.heat_capacity(WARM, p))
    return world.swells[1] * fluid.expansion_per_joule(t, p) - walls


def _widening(world: World, parts: tuple[Part, ...]) -> float:
    """Return what the walls of ``parts`` gain per volume and kelvin of the water: 3 alpha. [1/K]."""
    gained = 0.0
    for part in parts:
        material = world.shell if world.shell and part is world.system.heater else part.material
        gained += 0.0 if material is None else 3.0 * material.linear_expansion * part.volume
    return world.walls_warm * gained / _volume(parts)


def _volume(parts: tuple[Part, ...]) -> float:
    return sum(part.volume for part in parts)


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
