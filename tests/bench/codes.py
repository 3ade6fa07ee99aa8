"""Scores over every fault code: first causes confused, F1, delays, false findings, what a confidence means."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.bench import score
from tests.bench.trial import Said, Trial

SHORT: Final = {
    "air_charge_low": "low",
    "air_cushion_lost": "lost",
    "air_charge_high": "high",
    "tank_undersized": "small",
    "supply_pressure_high": "supply",
    "regulator_creep": "creep",
    "check_valve_passing": "valve",
    "relief_discharging": "relief",
    "water_loss": "water",
    "pressure_sensor_fault": "sensor",
    "heater_state_fault": "heater",
    "blind": "blind",
    "": "none",
}

WITHIN: Final = {"pressure_sensor_fault": 1.0 / 24.0, "air_cushion_lost": 1.0}
"""Days after the heating that should have shown it within which a code has to be raised."""

BINS: Final = ((0.0, 0.95), (0.95, 0.97), (0.97, 0.99), (0.99, 0.999), (0.999, 1.01))


def must(trial: Trial) -> str | None:
    """Return the first cause that has to be named ("" where nothing is wrong), None where either will do."""
    if trial.grey:
        return None
    if trial.code in score.CHARGE_FAULTS:
        onset = score.onset(trial)
        ends = trial.events.get("refilled", trial.days)
        return None if onset is None or ends - onset[1] < 3.0 else onset[0]
    if trial.code == "relief_discharging" and (trial.relief_days < 2 or trial.relief_litres < 0.5):
        return None
    if trial.code in {"pressure_sensor_fault", "heater_state_fault"} and trial.due is None:
        return None
    return trial.code


def since(trial: Trial) -> float:
    """Return the day from which on a finding may answer for the fault."""
    onset = score.onset(trial) if trial.code in score.CHARGE_FAULTS else None
    return trial.onset if onset is None else min(onset[1], trial.onset)


def lasted(trial: Trial, said: Said) -> float:
    """Return how long a finding stood [days]."""
    return (trial.days if said.ended is None else said.ended) - said.raised


def first_cause(trial: Trial, *, longest: bool = False) -> str:
    """Return what was raised first (or stood longest) since the fault began; "" nothing.

    A code that is as true as the cause, or not to be told apart from it, counts as the cause.
    """
    wanted = must(trial)
    said = [s for s in trial.said if s.raised >= since(trial)]
    if wanted == "":
        said = [s for s in said if s.fault != "blind" and not score.right(trial, s)]
    if not said:
        return ""
    chosen = max(said, key=lambda s: lasted(trial, s)) if longest else min(said, key=lambda s: s.raised)
    if chosen.fault in trial.also and wanted is not None:
        return wanted
    return chosen.fault


@dataclass(frozen=True, slots=True)
class Scored:
    """Of one code, plants: rightly named, wrongly named, not named."""

    right: int
    wrong: int
    missed: int

    @property
    def f1(self) -> float:
        """Return the harmonic mean of precision and recall."""
        total = 2 * self.right + self.wrong + self.missed
        return 2 * self.right / total if total else float("nan")


def by_label(pairs: Sequence[tuple[str, str]], code: str) -> Scored:
    """Return the score of a code from (true, named) first causes."""
    right = sum(true == code == named for true, named in pairs)
    named = sum(named == code for _, named in pairs)
    return Scored(right, named - right, sum(true == code for true, _ in pairs) - right)


def named(trial: Trial, code: str) -> Said | None:
    """Return the first right finding of a code (for a code in ``also``: of any of those)."""
    wanted = {code} | (set(trial.also) if "blind" in {code, *trial.also} else set())
    found = [
        s for s in trial.said if s.fault in wanted and score.right(trial, s) and s.raised >= since(trial)
    ]
    return min(found, key=lambda s: s.raised, default=None)


def at_all(trials: Sequence[Trial], code: str) -> Scored:
    """Return the score of a code by whether it was raised at all, plant by plant."""
    true = [t for t in trials if must(t) == code]
    right = sum(named(t, code) is not None for t in true)
    wrong = sum(any(s.fault == code and not score.right(t, s) for s in t.said) for t in trials)
    return Scored(right, 0 if code == "blind" else wrong, len(true) - right)


def _confused(trials: Sequence[Trial], *, longest: bool) -> list[str]:
    judged = [(t, m) for t in trials if (m := must(t)) is not None]
    table = Counter((m, first_cause(t, longest=longest)) for t, m in judged)
    title = "true first cause, stood longest" if longest else "true first cause, raised first"
    lines = [f"{title:32}" + "".join(f"{name:>8}" for name in SHORT.values())]
    for true in SHORT:
        row = [table[true, told] for told in SHORT]
        if sum(row):
            lines.append(f"{true or 'nothing':32}" + "".join(f"{n or '.':>8}" for n in row))
    return lines


def _f1(trials: Sequence[Trial]) -> list[str]:
    judged = [(t, m) for t in trials if (m := must(t)) is not None]
    ways = {
        "raised at all": lambda code: at_all(trials, code),
        "raised first": lambda code: by_label([(m, first_cause(t)) for t, m in judged], code),
        "longest": lambda code: by_label([(m, first_cause(t, longest=True)) for t, m in judged], code),
    }
    lines = [f"{'right/wrong/missed, F1':24}" + "".join(f"{way:>22}" for way in ways)]
    codes = [code for code in SHORT if code and any(m == code for _, m in judged)]
    scored = {way: [score_of(code) for code in codes] for way, score_of in ways.items()}
    for i, code in enumerate(codes):
        cells = [f"{s.right:>4}/{s.wrong}/{s.missed} {s.f1:6.3f}" for s in (scored[w][i] for w in ways)]
        lines.append(f"{code:24}" + "".join(f"{cell:>22}" for cell in cells))
    means = [float(np.mean([s.f1 for s in scored[way]])) if codes else float("nan") for way in ways]
    return [*lines, f"{'macro F1':24}" + "".join(f"{mean:22.3f}" for mean in means)]


def _delays(trials: Sequence[Trial]) -> list[str]:
    lines = [f"{'delay':24} plants  median     90 %  slowest [days]"]
    for code in SHORT:
        found = [(t, named(t, code)) for t in trials if code and must(t) == code]
        days = [s.raised - _from(t, code) for t, s in found if s is not None]
        if not days:
            continue
        limit = WITHIN.get(code)
        late = (
            ""
            if limit is None
            else f"   {sum(d <= limit for d in days)} of {len(found)} in {24 * limit:.0f} h"
        )
        shown = f"{np.median(days):8.2f} {np.percentile(days, 90):8.2f} {max(days):8.2f}"
        lines.append(f"{code:24} {len(days):6}{shown}{late}")
    return lines


def _from(trial: Trial, code: str) -> float:
    if code in {"pressure_sensor_fault", "air_cushion_lost", "heater_state_fault"} and trial.due is not None:
        return trial.due
    return since(trial)


def _false(trials: Sequence[Trial]) -> list[str]:
    sound = [t for t in trials if t.code == ""]
    lines = [f"{'sound plants':24} plants  years  false  a year"]
    for name in [*sorted({t.scenario for t in sound}), None]:
        group = [t for t in sound if name in {None, t.scenario}]
        years = sum(t.days for t in group) / 365.25
        false = len(score.false_findings(group))
        rate = false / years if years else float("nan")
        lines.append(f"{name or 'all of them':24} {len(group):6} {years:6.1f} {false:6} {rate:7.2f}")
    return lines


def _held(trials: Sequence[Trial]) -> list[str]:
    """Return on how many evenings a plant with a fault was said to hold, a day or more after it was due."""
    lines = [f"{'said to hold, by fault':24} evenings"]
    for code in SHORT:
        evenings = [
            day.verdict == "holding"
            for t in trials
            if code and must(t) == code and (code not in score.UNSEEN or t.due is not None)
            for day in t.daily
            if day.day >= _from(t, code) + 1.0 and not _over(t, day.day)
        ]
        if evenings:
            lines.append(f"{code:24} {sum(evenings)} of {len(evenings)}")
    return lines


def _over(trial: Trial, day: float) -> bool:
    """Tell if what was wrong has been put right (a refill, readings that came back)."""
    return day >= min(trial.events.get("refilled", 1e9), trial.events.get("silent_until", 1e9))


def _confidence(trials: Iterable[Trial]) -> list[str]:
    said = [(s.confidence, score.right(t, s)) for t in trials for s in t.said if s.fault != "blind"]
    lines = [f"{'confidence':24}  findings  right"]
    for low, high in BINS:
        inside = [right for confidence, right in said if low <= confidence < high]
        if inside:
            mean = np.mean([c for c, _ in said if low <= c < high])
            lines.append(
                f"{low:.3f} to {min(high, 1.0):.3f}{'':11} {len(inside):8} {np.mean(inside):7.1%}  (says {mean:.1%})"
            )
    return lines


def _seeds(trials: Sequence[Trial]) -> list[str]:
    lines = [
        "misses and false findings; a plant's log: python -m tests.bench.accuracy --all-faults --seeds N --write DIR"
    ]
    for t in trials:
        wanted = must(t)
        missed = bool(wanted) and named(t, wanted) is None
        false = [s for s in t.said if s.fault != "blind" and not score.right(t, s)]
        if missed or false:
            told = ", ".join(f"{SHORT[s.fault]}@{s.raised:.2f}" for s in t.said) or t.failed or "nothing"
            kind = ("missed" if missed else "") + (" false" if false else "")
            when = f"from {since(t):.2f} of {t.days:.1f} d"
            lines.append(
                f"  seed {t.seed:4} {t.scenario:16} {t.trace:16} {t.every:3.0f} s {kind:13} {when}: {told}"
            )
    return lines


def table(trials: Sequence[Trial]) -> str:
    """Return all tables of plants with every kind of fault."""
    rows = sum(t.rows for t in trials)
    spent = sum(t.seconds for t in trials)
    parts = [
        _confused(trials, longest=False),
        _confused(trials, longest=True),
        _f1(trials),
        _delays(trials),
        _false(trials),
        _held(trials),
        _confidence(trials),
        _seeds(trials),
        [f"analyser: {spent / max(rows, 1) * 1e6:.2f} us a row over {rows / 1e6:.1f} million rows"],
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"
