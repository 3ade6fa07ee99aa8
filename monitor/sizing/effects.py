"""Each effect that methods and gauge leave out or hold fixed, as a real and a believed world.

Ranges are named with their source; what they cost is worked out by `monitor.sizing.neglected`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from monitor.physics.atmosphere import SEA_LEVEL
from monitor.physics.fluids import MIXTURE_SWELLING_UNCERTAINTY
from monitor.physics.heater import standby_loss
from monitor.physics.solids import PEX, STAINLESS_STEEL, at
from monitor.sizing.cushion_effects import of_cushion
from monitor.sizing.effect import PRACTICE, Effect, Taken
from monitor.sizing.typical import System, filling
from monitor.sizing.world import PIPE_COMPLIANCE, ROOM, base, elastic_parts, run_elastic


def effects(system: System) -> tuple[Effect, ...]:
    """Return all effects on ``system``; glycol only where it is filled with it."""
    return (
        *_walls(system), *_elastic(system), *of_cushion(system), *_heat(system), *_layers(system),
        *_temperatures(system), *_filling(system),
    )  # fmt: skip


def _walls(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "heated walls grow (3 alpha dT V)", "alpha: ASHRAE HVAC Systems & Equipment 2000, ch. 12",
        Taken.BY_METHOD if system.glycol_share else Taken.COUNTED, Taken.COUNTED, steady=True,
        high=now, believed=replace(now, walls_warm=0.0),
    )  # fmt: skip
    yield Effect(
        "shell of the heater of stainless steel, or walls half as warm as the water", PRACTICE, Taken.FIXED,
        Taken.FIXED, steady=True, high=replace(now, shell=STAINLESS_STEEL), low=replace(now, walls_warm=0.5),
    )  # fmt: skip
    yield Effect(
        "growth taken at atmospheric pressure, not at that of the line", "IAPWS R6-95(2018)",
        Taken.COUNTED, Taken.NONE, steady=True, high=now, believed=replace(now, growth_pressure=SEA_LEVEL),
    )  # fmt: skip


def _elastic(system: System) -> Iterator[Effect]:
    now = base(system)
    shell, pipes, water = elastic_parts(system)
    wall = system.pipes.material.name if system.pipes.material else "no"
    pex = run_elastic(system, at(PEX, ROOM), 0.15 * system.pipe_bore)
    hoses = PIPE_COMPLIANCE * sum(part.volume for part in system.site)
    for name, source, part, size in (
        ("shell of the heater gives", "Lamé; walls: " + PRACTICE, shell, shell),
        (f"{wall} pipes give", "Lamé; walls: " + PRACTICE, pipes, pipes),
        ("the same pipes in PEX give", "Lamé; E from memory of data sheets", pipes, pex),
        ("water is compressible", "IAPWS R6-95(2018); glycol: physics/fluids.py", water, water),
        ("pipes, hoses and trapped air give 2e-9 of the heated volume per Pa", PRACTICE, 0.0, hoses),
    ):
        without = now.line_elastic - (part or size)
        yield Effect(
            name, source, Taken.LEFT_OUT if size is part else Taken.BOUND, Taken.COUNTED, steady=True,
            high=replace(now, line_elastic=without + size, peak_elastic=size),
            believed=replace(now, line_elastic=without),
        )  # fmt: skip
    yield Effect(
        "elasticity of the line 2.5 times more or less than assumed", PRACTICE, Taken.NONE, Taken.FIXED,
        steady=True, high=replace(now, line_elastic=2.5 * now.line_elastic),
        low=replace(now, line_elastic=now.line_elastic / 2.5),
    )  # fmt: skip
    yield Effect(
        f"air pocket of {1e3 * system.pocket:g} L in the pipes", PRACTICE, Taken.LEFT_OUT, Taken.COUNTED,
        steady=True, high=replace(now, pocket=system.pocket),
    )  # fmt: skip


def _heat(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "heater input 5 % more or less than its plate", PRACTICE, Taken.NONE, Taken.FIXED, steady=True,
        high=replace(now, heat=1.05), low=replace(now, heat=0.95),
    )  # fmt: skip
    points = 0.04
    yield Effect(
        f"efficiency {100.0 * points:g} points more or less than stated", "field handbooks, second-hand",
        Taken.NONE, Taken.FIXED, steady=True, high=replace(now, heat=1.0 + points / system.efficiency),
        low=replace(now, heat=1.0 - points / system.efficiency),
    )  # fmt: skip
    yield Effect(
        f"standby loss, {system.loss:g} W/K", PRACTICE, Taken.NONE, Taken.LEFT_OUT, steady=True,
        high=replace(now, cooling=float(standby_loss(system.loss, system.hot, ROOM))),
    )  # fmt: skip


def _layers(system: System) -> Iterator[Effect]:
    now = base(system)
    volume, by = system.cools
    swelling = float(system.fluid.swelling(system.hot - by, system.hot))
    yield Effect(
        f"{1e3 * volume:g} L of hot water in pipes cool by {by:g} K meanwhile", PRACTICE, Taken.LEFT_OUT,
        Taken.LEFT_OUT, steady=False, high=replace(now, leaks=(-volume * swelling, -volume * swelling)),
    )  # fmt: skip
    yield Effect(
        "a fifth of the water stays cold; of a window's heat a fifth goes to water 20 K colder", PRACTICE,
        Taken.LEFT_OUT, Taken.LEFT_OUT, steady=True, high=replace(now, stays_cold=0.2, layer=0.2, below=20.0),
    )  # fmt: skip
    most, least = min(system.share + 0.25, 1.0), system.share - 0.25
    yield Effect(
        f"share of the water that takes a window's heat {most:g} or {least:g} instead of {system.share:g}",
        PRACTICE, Taken.NONE, Taken.FIXED, steady=True, high=replace(now, share=most), low=replace(now, share=least),
    )  # fmt: skip


def _temperatures(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "setpoint 2.5 K higher or lower than stated", PRACTICE, Taken.FIXED, Taken.FIXED, steady=True,
        high=replace(now, hot=now.hot + 2.5), low=replace(now, hot=now.hot - 2.5),
    )  # fmt: skip
    yield Effect(
        "cold water 5 K colder or warmer", PRACTICE, Taken.FIXED, Taken.NONE, steady=False,
        high=replace(now, cold=now.cold - 5.0), low=replace(now, cold=now.cold + 5.0),
    )  # fmt: skip


def _filling(system: System) -> Iterator[Effect]:
    if not system.glycol_share:
        return
    now, points = base(system), 0.05
    percent = 100.0 * system.glycol_share
    yield Effect(
        f"{percent:g} % of glycol that the site file or the sizing does not name", "Melinder 2010, IAPWS R6-95(2018)",
        Taken.COUNTED, Taken.COUNTED, steady=True, high=now, believed=replace(now, fluid=filling(0.0)),
    )  # fmt: skip
    at_most = 1.0 + MIXTURE_SWELLING_UNCERTAINTY, 1.0 + 0.5 * MIXTURE_SWELLING_UNCERTAINTY
    yield Effect(
        "inhibited glycol swells less: filled cold the tables give up to 20 % more, in a window 10 %",
        "ASHRAE Fundamentals 2001, ch. 21, beside Melinder 2010", Taken.FIXED, Taken.FIXED, steady=True,
        high=replace(now, swells=(1.0 / at_most[0], 1.0 / at_most[1])),
    )  # fmt: skip
    yield Effect(
        f"glycol {100.0 * points:g} points more or less than {percent:g} %", PRACTICE, Taken.FIXED,
        Taken.FIXED, steady=True, high=replace(now, fluid=filling(system.glycol_share + points)),
        low=replace(now, fluid=filling(system.glycol_share - points)),
    )  # fmt: skip
