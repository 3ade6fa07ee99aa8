"""Every English text of alerts that a catalogue has to translate, found in the source itself."""

from __future__ import annotations

import ast
from pathlib import Path

import monitor.alerting
from monitor.alerting.seen import SEEN, UNSEEN
from monitor.alerting.wording import MONTHS
from monitor.diagnosis.rationale import RATIONALES, UNKNOWN
from monitor.diagnosis.words import sureness
from monitor.site import HeaterKind

STATES = ("OVER", "URGENT", "HIGH", "MEDIUM", "LOW", "DIGEST", "UNANSWERED")


def said(package: Path = Path(monitor.alerting.__file__).parent) -> set[str]:
    """Return the texts that are given to ``say`` anywhere in the package or its dispatch."""
    found = set()
    for file in (*package.glob("*.py"), package.parent / "dispatch.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and node.args):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            first = node.args[0]
            if name == "say" and isinstance(first, ast.Constant) and isinstance(first.value, str):
                found.add(first.value)
    return found


def texts() -> set[str]:
    """Return all texts."""
    found = said() | set(SEEN.values()) | {UNSEEN} | set(MONTHS) | set(STATES)
    found |= {kind.value for kind in HeaterKind}
    found |= {sureness(one).rpartition(" (")[0] for one in (0.7, 0.96, 1.0)}
    for row in (*RATIONALES.values(), UNKNOWN):
        found |= {
            row.headline,
            row.consequence,
            row.respond,
            row.action,
            row.over,
            *row.cautions,
            *row.general,
        }
    return found
