"""All traces that are kept in ``tests/reference``, with what the plate on the heater would say."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from tests.plants.trace import REFERENCE, Trace, household


@dataclass(frozen=True, slots=True)
class Known:
    """A trace and its heater: kind, volume [L], input [W], share that reaches the water, setpoint [°C]."""

    name: str
    kind: str
    volume: float
    input: float
    efficiency: float
    setpoint: float
    load: Callable[[], Trace]


def unpack(name: str) -> Trace:
    """Return the trace of ``NAME.npz``; ``tests/reference/README.md`` describes the arrays."""
    with np.load(REFERENCE / f"{name}.npz", allow_pickle=False) as kept:
        count, step = int(kept["steps"]), float(kept["step"])
        draw = np.zeros(count)
        draw[np.cumsum(kept["draw_at"])] = kept["draw_tenths"] / 10.0
        flips = np.zeros(count, int)
        flips[kept["burner_edges"]] = 1
        top = np.cumsum(kept["top_tenths"], dtype=np.int64) / 10.0
        every = count // len(top)
        return Trace(
            step,
            kept["growth_tenths"] / 10.0,
            draw,
            (np.cumsum(flips) % 2).astype(float),
            np.interp(np.arange(count), np.arange(1, len(top) + 1) * every - 1, top),
        )


def facts(name: str) -> dict[str, str]:
    """Return what ``NAME.npz`` says of its heater."""
    with np.load(REFERENCE / f"{name}.npz", allow_pickle=False) as kept:
        return dict(str(line).split("=", 1) for line in kept["facts"])


def _kept(name: str) -> Known:
    said = facts(name)
    heat, fuel = float(said["heat"]), float(said["input"])
    return Known(
        name,
        said["kind"],
        float(said["volume"]),
        fuel,
        heat / fuel,
        float(said["setpoint"]),
        lru_cache(maxsize=1)(lambda: unpack(name)),
    )


HOUSEHOLD: Final = Known(
    "household_14d", "storage", 151.4, 11723.0, 0.773, 54.4, lru_cache(maxsize=1)(household)
)


def library() -> dict[str, Known]:
    """Return every kept trace by its name."""
    found = [HOUSEHOLD, *(_kept(path.stem) for path in sorted(REFERENCE.glob("*.npz")))]
    return {known.name: known for known in found}
