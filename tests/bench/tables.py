"""The scores of trials as text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from tests.bench import dates, score
from tests.bench.trial import Trial
from tests.plants.cases import PSI

_GROUPS: Final[dict[str, Callable[[Trial], bool]]] = {
    "all": lambda _: True,
    "gauged": lambda t: t.gauged,
    "never gauged": lambda t: not t.gauged,
    "never, no temperature": lambda t: not t.gauged and not t.temperature,
    "sampled 30-60 s": lambda t: t.every >= 30.0,
}


def _is(key: str, value: str) -> Callable[[Trial], bool]:
    return lambda t: getattr(t, key) == value


def _errors(trials: Sequence[Trial]) -> list[str]:
    columns = ("plants", "days", "mean abs. error", "bias psi", "cover 90%", "+- psi")
    lines = [f"{'charge at days end':24}" + "".join(f" {c:>{max(len(c), 8)}}" for c in columns)]
    groups = dict(_GROUPS)
    for key in ("scenario", "trace"):
        groups |= {name: _is(key, name) for name in sorted({getattr(t, key) for t in trials})}
    for name, belongs in groups.items():
        group = [t for t in trials if belongs(t)]
        e = score.errors(score.judged(group))
        both = f"{e.mean_absolute / PSI:.2f} psi {e.mean_absolute:.1f} kPa"
        rest = f"{e.bias / PSI:+8.2f} {e.covered:9.1%} {e.half_width / PSI:8.2f}"
        lines.append(f"{name:24} {len(group):8} {e.days:8} {both:>18} {rest}")
    return lines


def _confusion(trials: Sequence[Trial]) -> list[str]:
    names = ["plants", *score.FAULTS, "none", "failed"]
    lines = [f"{'plants at which raised':24} " + " ".join(f"{name:>18}" for name in names)]
    for scenario, row in sorted(score.confusion(trials).items()):
        lines.append(f"{scenario:24} " + " ".join(f"{row[name]:18}" for name in names))
    return lines


def _found(name: str, found: score.Detection) -> str:
    other = f", {found.other_name} more by the other name" if found.other_name else ""
    after = f"after {found.median:.1f} days (median), {found.slowest:.1f} (90 %)"
    return f"{name:24} {found.named} of {found.plants} named{other}; {after}"


def _detections(trials: Sequence[Trial]) -> list[str]:
    lines = [_found(fault, score.detection(trials, fault)) for fault in score.CHARGE_FAULTS]
    lines.append(_found("relief_discharging", score.relief_found(trials)))
    leads = score.warning_before_relief(trials)
    if leads:
        late = sum(lead <= 0.0 for lead in leads)
        said = f"{np.median(leads):.1f} days before (median), {min(leads):.1f} (least), {late} not before"
        lines.append(f"{'slow loss, relief opened':24} {len(leads)} plants; warned {said}")
    return lines


def _falsehoods(trials: Sequence[Trial]) -> list[str]:
    years = max(sum(t.days for t in trials) / 365.25, 1e-9)
    false = score.false_findings(trials)
    rate = len(false) / years
    lines = [f"{'false findings':24} {len(false)} in {years:.1f} site-years: {rate:.2f} a year"]
    for trial, said in false[:30]:
        lines.append(f"    seed {trial.seed} {trial.scenario}: {said.fault} on day {said.raised:.1f}")
    blind = [t.seed for t in trials for s in t.said if s.fault == "blind" and not score.right(t, s)]
    lines.append(f"{'blind elsewhere':24} {len(blind)} at {len(set(blind))} plants")
    wrong, wrong_days = score.holding(trials, score.is_wrong)
    fine, fine_days = score.holding(trials, score.is_fine)
    held = f"{wrong} of {wrong_days} days of faulty plants, {fine} of {fine_days} of sound ones"
    lines.append(f"{'said to hold':24} {held}")
    return lines


def _forecast(trials: Sequence[Trial]) -> list[str]:
    f = dates.forecasts(trials)
    share = f.hits / f.days if f.days else float("nan")
    return [
        f"{'forecast':24} {f.days} days with a date: interval right on {share:.1%} (too late on {f.early}), "
        f"median error {f.median_error:.1f} days",
        f"{'':24} a date on {f.false_days} of {f.other_days} days of plants that lose nothing",
    ]


def _each(trials: Sequence[Trial]) -> list[str]:
    lines = []
    for t in trials:
        last = t.daily[-1] if t.daily else None
        seen, truth = "-", "-" if last is None else f"{last.truth / PSI:.1f}"
        if last is not None and last.kpa is not None and last.low is not None and last.high is not None:
            seen = f"{last.kpa / PSI:.1f} ({last.low / PSI:.0f}..{last.high / PSI:.0f})"
        said = ", ".join(f"{s.fault}@{s.raised:.1f}" for s in t.said)
        lines.append(
            f"{t.seed:5} {t.scenario:11} {t.trace:16} {'gauged' if t.gauged else 'never':6} {t.every:3.0f}s "
            f"windows {t.windows:4} last {seen:>16} true {truth:>6} supply {t.supply / PSI:4.1f} psi "
            f"{t.seconds:5.1f}s {t.failed} {said}"
        )
    return lines


def all_of(trials: Sequence[Trial], *, each: bool = False) -> str:
    """Return all tables; with ``each`` one line a plant before them."""
    took = [t.seconds for t in trials]
    parts = [
        _each(trials) if each else [],
        _errors(trials),
        _confusion(trials),
        _detections(trials),
        _falsehoods(trials),
        _forecast(trials),
        [f"analyser {sum(took):.0f} s in all, slowest plant {max(took, default=0.0):.1f} s"],
        [f"seed {t.seed} crashed: {t.failed}" for t in trials if t.failed],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"
