"""Effects on the cushion and on how it is read: gas, dissolved air, sensor, air outside, tank."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from monitor.physics.atmosphere import SEA_LEVEL, pressure_at
from monitor.physics.dissolved import air_content, bubble_volume, vapour_pressure
from monitor.physics.gas import ADIABATIC, ISOTHERMAL
from monitor.sizing.effect import PRACTICE, Effect, Taken
from monitor.sizing.pressures import GRAVITY
from monitor.sizing.typical import WINDOW, System
from monitor.sizing.world import ROOM, World, base, recovery_seconds, window_heat
from monitor.units import PSI


def of_cushion(system: System) -> Iterator[Effect]:
    """Yield the effects of this module on ``system``."""
    yield from _gas(system)
    yield from _warm(system)
    yield from _dissolved(system)
    yield from _sensor(system)
    yield from _outside(system)
    yield from _tank(system)


def warm_share(seconds: float, settles: float) -> float:
    """Return which share of a steady compression's warmth is still in the gas at its end. [-].

    Gas that gives off its warmth with time constant tau is at its end short of isothermal by
    tau/T (1 - exp(-T/tau)) of the adiabatic excess: 1 for a shock, tau/T for a long heating.
    """
    return settles / seconds * float(-np.expm1(-seconds / settles))


def _exponents(world: World, settles: float) -> tuple[float, float]:
    excess = ADIABATIC - ISOTHERMAL
    full, window = (warm_share(time, settles) for time in (recovery_seconds(world), WINDOW))
    return ISOTHERMAL + excess * full, ISOTHERMAL + excess * window


def _gas(system: System) -> Iterator[Effect]:
    now = base(system)
    usual = _exponents(now, 60.0)
    yield Effect(
        "gas keeps some warmth of its compression (settles in 60 s)", PRACTICE, Taken.LEFT_OUT, Taken.COUNTED,
        steady=True, high=replace(now, n=usual),
    )  # fmt: skip
    yield Effect(
        "gas settles in 100 or 30 s instead of 60 s", PRACTICE, Taken.NONE, Taken.FIXED, steady=True,
        high=replace(now, n=(1.0, _exponents(now, 100.0)[1])),
        low=replace(now, n=(1.0, _exponents(now, 30.0)[1])), believed=replace(now, n=(1.0, usual[1])),
    )  # fmt: skip
    yield Effect(
        "gas gives off no warmth at all (n = 1.4)", "cp/cv of air", Taken.BOUND, Taken.BOUND, steady=False,
        high=replace(now, n=(ADIABATIC, ADIABATIC)),
    )  # fmt: skip


def _warm(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "gas warmed from outside, 5 K in a recovery, 0.5 K in a window", PRACTICE, Taken.LEFT_OUT,
        Taken.LEFT_OUT, steady=False, high=replace(now, gas_warms=(5.0, 0.5)),
    )  # fmt: skip
    yield Effect(
        "room 5 K warmer or colder than when the tank was charged", PRACTICE, Taken.LEFT_OUT, Taken.LEFT_OUT,
        steady=False, high=replace(now, room=ROOM + 5.0), low=replace(now, room=ROOM - 5.0),
    )  # fmt: skip
    yield Effect(
        "water vapour in the gas (saturated at 20 °C)", "IAPWS R6-95(2018)", Taken.LEFT_OUT, Taken.LEFT_OUT,
        steady=True, high=replace(now, vapour=float(vapour_pressure(ROOM))),
    )  # fmt: skip


def _dissolved(system: System) -> Iterator[Effect]:
    now = base(system)
    line = system.supply + SEA_LEVEL
    for name, at_pressure, sizing in (
        ("air comes out of water that was saturated under the atmosphere", SEA_LEVEL, Taken.LEFT_OUT),
        ("air comes out of water that was saturated at the line's pressure", line, Taken.BOUND),
    ):
        held = float(air_content(system.cold, at_pressure))
        _, warmed = window_heat(now)
        at_end, before = (float(bubble_volume(held, t, line)) for t in (system.hot, system.hot - warmed))
        freed = system.content * at_end, system.heater.volume * now.share * (at_end - before)
        yield Effect(
            name, "Henry's law, IUPAC Solubility Data Series 7 and 10", sizing, sizing, steady=False,
            high=replace(now, leaks=freed),
        )  # fmt: skip


def _sensor(system: System) -> Iterator[Effect]:
    now = base(system)
    head = system.height * GRAVITY * float(system.fluid.density(ROOM))

    def shows(zero: float) -> World:
        return replace(now, zero=zero, supply=now.supply - zero)

    yield Effect(
        f"sensor {system.height:g} m below or above the tank", PRACTICE, Taken.LEFT_OUT, Taken.LEFT_OUT,
        steady=True, high=shows(head), low=shows(-head),
    )  # fmt: skip
    accuracy = 0.005 * system.span
    yield Effect(
        f"sensor, 0.5 % of its span of {system.span / 1e5:g} bar, as a zero error",
        "grade 2A of ASME B40.100, from memory",
        Taken.FIXED, Taken.FIXED, steady=True, high=shows(accuracy), low=shows(-accuracy),
    )  # fmt: skip
    hand = 0.02 * system.hand_span
    yield Effect(
        f"hand gauge, 2 % of {system.hand_span / PSI:.0f} psi in the middle of its scale",
        "grade B of ASME B40.100",
        Taken.FIXED, Taken.FIXED, steady=True, high=replace(now, hand=hand), low=replace(now, hand=-hand),
    )  # fmt: skip


def _outside(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "weather, 3 kPa up or down", PRACTICE, Taken.FIXED, Taken.FIXED, steady=False,
        high=replace(now, outside=now.outside + 3e3), low=replace(now, outside=now.outside - 3e3),
    )  # fmt: skip
    yield Effect(
        "altitude 300 m higher or lower than stated (3.6 kPa)", "ISO 2533:1975; range: " + PRACTICE,
        Taken.FIXED, Taken.FIXED, steady=True, high=replace(now, outside=float(pressure_at(-300.0))),
        low=replace(now, outside=float(pressure_at(300.0))),
    )  # fmt: skip


def _tank(system: System) -> Iterator[Effect]:
    now = base(system)
    yield Effect(
        "tank 5 % larger or smaller than its plate", PRACTICE, Taken.FIXED, Taken.FIXED, steady=True,
        high=replace(now, tank=1.05 * now.tank), low=replace(now, tank=0.95 * now.tank),
    )  # fmt: skip
    passed = 1e-6 / 60.0
    yield Effect(
        "check valve's seat lets 1 mL/min pass", PRACTICE, Taken.FAULT, Taken.FAULT, steady=False,
        high=replace(now, leaks=(-passed * recovery_seconds(now), -passed * WINDOW)),
    )  # fmt: skip
