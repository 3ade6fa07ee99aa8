"""The steps of a service visit at a tank, in order, each with what to mind: one source for page and terminal.

What a fault asks for, and the cautions of any work at a tank, are the sentences of `monitor.diagnosis.rationale`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.diagnosis.rationale import HOT_WATER, LICENSED, NEVER_PLUG, PUMP, RELIEVE
from monitor.site import HeaterKind, Site


@dataclass(frozen=True, slots=True)
class Step:
    """One step: a short ``name``, what to ``do``, what to ``mind`` (empty where nothing more).

    ``fields``: what of the visit it answers.
    """

    name: str
    do: str
    mind: str = ""
    fields: tuple[str, ...] = ()


BEFORE: tuple[str, ...] = (LICENSED, NEVER_PLUG)
"""What to read before the first step."""


def steps(site: Site, target: str) -> Sequence[Step]:
    """Return the steps; ``target`` is the charge that the tank needs, in words, empty where it is not known."""
    loop = site.heater.kind is HeaterKind.LOOP
    aim = target or "the supply pressure that you gauged"
    fill = "the filling" if loop else "the cold supply"
    return (
        Step("Gauge the line", "With nothing running, read the line pressure at rest near the tank.",
             fields=("supply",)),
        Step("Heat off", "Switch the heater off, so that it cannot fire while it is open, and let it cool.", HOT_WATER),
        Step("Shut the supply", f"Shut {fill} to heater and tank. Leave every relief valve and its pipe as they are."),
        Step("Relieve the water side",
             "Let the pressure off the water side of the tank: "
             + ("by the drain at the tank, its valve shut." if loop else "open a hot tap until it drips.")
             + " Hold a cloth ready: what comes out may be hot.", RELIEVE),
        Step("Gauge the tank", "Take the cap off the air valve and gauge it. Note what it shows, 0 too.",
             fields=("found",)),
        Step("Look for water", "Press the pin of the air valve for a moment.",
             "Water there means a torn diaphragm: do not pump; the tank has to be replaced.", ("water_at_valve",)),
        Step("Pump or let out air", f"Bring the tank to {aim}, little by little, and gauge again. Put the cap on.",
             PUMP, ("precharge", "action")),
        Step("Check the bracket", "Look at bracket, joint and shell: rust, cracks, a joint that hangs.",
             "A tank full of water is many times as heavy as it was."),
        Step("Purge and restore",
             f"Open {fill} slowly and let the air out of the line at "
             + ("the highest vent." if loop else "the tap that is open, then shut it.")),
        Step("Look for leaks", "Wipe every joint dry and look again after five minutes; soapy water on the air valve.",
             fields=("leak",)),
        Step("Heat on", "Switch the heater on as its maker says, and stay until it has heated once.",
             "If the relief valve opens, or you see steam, switch it off and call a licensed trade."),
        Step("Log it", "Send what you found and did; the watch of a week begins with it.",
             fields=("who", "note", "photo")),
    )  # fmt: skip
