"""Whether there are enough readings yet, and often enough for the burns of this heater."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Word
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import counted, lasting, percent
from monitor.estimation.burns import TAIL

ENOUGH: Final = 24 * 3600.0
"""Seconds of readings from which on everything is judged: a day has a night without draws."""

_NICE: Final = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0)
_GOOD, _BARE = 20, 8  # rows in a burn and its tail: half of them are left where a draw began it
_HOLE: Final = 5.0  # times the usual step
_HOLE_LEAST: Final = 60.0  # s
_MISSING_MUCH, _MISSING = 0.2, 0.05  # of the time
_UNEVEN: Final = 3.0  # times the usual step, and
_UNEVEN_LEAST: Final = 30.0  # s


def enough_data(scene: Scene) -> Check:
    """Return whether the rows span a day, and when to ask again."""
    held = scene.span - float(_holes(scene).sum())
    evidence = {"span_s": scene.span, "covered_s": held, "rows": float(len(scene.rows))}
    seen = f"{len(scene.rows)} readings of pressure over {lasting(scene.span)}"
    if held >= ENOUGH:
        return Check(Code.ENOUGH_DATA, Word.FITS, f"{seen}.", evidence=evidence)
    again = scene.voice.moment(float(scene.rows.time[-1]) + ENOUGH - held)
    return Check(
        Code.ENOUGH_DATA,
        Word.NOT_SEEN,
        f"{seen}, of which {lasting(held)} without holes: a day is needed, with its night.",
        f"Ask again after {again}; everything said before then may change.",
        evidence,
    )


def sampling(scene: Scene) -> Check:
    """Return whether readings come often enough, evenly and without holes."""
    steps = np.diff(scene.rows.time)
    usual, slow = float(np.median(steps)), float(np.quantile(steps, 0.95))
    missing = float(_holes(scene).sum()) / scene.span
    burn, source = _burn(scene)
    rows = (burn + TAIL) / usual
    want = next((n for n in reversed(_NICE) if n <= (burn + TAIL) / _GOOD), _NICE[0])
    evidence = {
        "interval_s": usual,
        "slow_interval_s": slow,
        "longest_gap_s": float(steps.max()),
        "missing_share": missing,
        "burn_s": burn,
        "rows_a_burn": rows,
        "advised_interval_s": want,
    }
    seen = (
        f"A reading every {lasting(usual)}, about {rows:.0f} in a usual burn of {lasting(burn)} ({source}) and the "
        f"{lasting(TAIL)} after it; {_gaps(missing, float(steps.max()))}."
    )
    word, do = _judged(rows, missing, (usual, slow), want)
    return Check(Code.SAMPLING, word, seen, do, evidence)


def _gaps(missing: float, longest: float) -> str:
    if missing == 0.0:
        return "nothing is missing"
    return f"{percent(missing)} of the time is missing, at most {lasting(longest)} at once"


def _judged(rows: float, missing: float, steps: tuple[float, float], want: float) -> tuple[Word, str]:
    usual, slow = steps
    faster = f"Let the device send pressure every {lasting(want)}."
    if rows < _BARE and want < usual:
        return Word.WRONG, f"A burn is over before it can be measured. {faster}"
    if missing > _MISSING_MUCH:
        return Word.WRONG, "Find out why readings are missing: power, radio, network, broker."
    if rows < _GOOD and want < usual:
        return Word.DOUBTFUL, f"Only burns without a draw are long enough. {faster}"
    if missing > _MISSING:
        return Word.DOUBTFUL, "Find out why readings are missing: power, radio, network, broker."
    if slow > _UNEVEN * usual and slow > _UNEVEN_LEAST:
        return (
            Word.DOUBTFUL,
            f"Readings come unevenly, up to {lasting(slow)} apart: if the device sends pressure only when it "
            f"changes, let it send every {lasting(min(want, usual))} whether it changes or not.",
        )
    return Word.FITS, ""


def _holes(scene: Scene) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    steps = np.diff(scene.rows.time)
    return steps[steps > max(_HOLE * float(np.median(steps)), _HOLE_LEAST)]


def _burn(scene: Scene) -> tuple[float, str]:
    """Return how long a usual burn is, and whence that is known."""
    burns = scene.heating.burns
    if len(burns) >= 3:
        return float(np.median(burns)), f"median of {counted(len(burns), 'burn')}"
    return scene.expected.reheat, "a reheat by the site file"
