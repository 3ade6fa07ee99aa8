"""How often the cushion will be weighed here, and how soon a lost one would be noticed."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.diagnosis.commissioning.check import Check, Code, Number, Word
from monitor.diagnosis.commissioning.replay import time_to_notice
from monitor.diagnosis.commissioning.sampling import ENOUGH
from monitor.diagnosis.commissioning.scene import Scene
from monitor.diagnosis.commissioning.words import counted, lasting, percent

_DAY: Final = 86400.0
_GOOD: Final = 3.0  # windows a day
_LATE: Final = 2 * _DAY  # s: later than that a lost cushion should not be noticed


def windows(scene: Scene) -> Check:
    """Return how many clean windows a day there are, and what follows from that."""
    found = scene.replay.windows
    days = max(scene.span, 1.0) / _DAY
    a_day = len(found) / days
    start, end = float(scene.rows.time[0]), float(scene.rows.time[-1])
    wait = time_to_notice(np.array([w.end for w in found]), start, end)
    blind = sum(min(span.end, end) - span.start for span in scene.report.blind if span.start < end)
    sighted = min(max(1.0 - blind / max(scene.span, 1.0), 0.0), 1.0) if found else 0.0
    evidence: dict[str, Number] = {
        "windows": float(len(found)),
        "windows_a_day": round(a_day, 2),
        "sighted_share": round(sighted, 4),
        "notice_median_s": None if wait is None else round(wait[0]),
        "notice_late_s": None if wait is None else round(wait[1]),
    }
    if not found:
        return _none(scene, evidence)
    seen = f"{counted(len(found), 'clean window')} in {lasting(scene.span)}, {a_day:.2g} a day"
    if wait is None:
        return Check(Code.WINDOWS, Word.DOUBTFUL, f"{seen}: too few to tell.", _MORE, evidence)
    seen = (
        f"{seen}; a lost cushion would have shown in {percent(sighted)} of the time, usually within "
        f"{lasting(wait[0])}, nine times in ten within {lasting(wait[1])}"
    )
    word = Word.FITS if a_day >= _GOOD and wait[1] <= _LATE else Word.DOUBTFUL
    return Check(Code.WINDOWS, word, f"{seen}.", "" if word is Word.FITS else _MORE, evidence)


_MORE: Final = (
    "Readings every 10 s or faster make shorter stretches count. A gauge reading entered as a visit bridges times in "
    "which somebody always draws."
)


def _none(scene: Scene, evidence: dict[str, Number]) -> Check:
    seen = (
        f"No clean window in {lasting(scene.span)}: no burn had a stretch in which nobody drew and the line rose "
        "with heat. A lost cushion would not have been noticed."
    )
    if scene.span < ENOUGH:
        return Check(Code.WINDOWS, Word.NOT_SEEN, seen, "Wait for a night.", evidence)
    return Check(Code.WINDOWS, Word.WRONG, seen, _MORE, evidence)
