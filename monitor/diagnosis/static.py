"""How high a line may stand at rest before codes ask for a pressure reducing valve."""

from __future__ import annotations

import math
from typing import Final

from monitor.site import HeaterKind, Site

PSI_LIMIT: Final = 551_581.0
"""80 psi gauge: IPC 604.8, UPC 608.2. [Pa]"""

BAR_LIMIT: Final = 500_000.0
"""5 bar gauge: EN 806-2, 16.1 (second-hand). [Pa]"""


def static_limit(site: Site) -> float:
    """Return the limit of a site's line at rest [gauge Pa]; infinite for a loop, which no code of taps covers.

    Which code holds at a site is not known: one that shows psi is taken for one under American codes.
    """
    if site.heater.kind is HeaterKind.LOOP:
        return math.inf
    if site.supply_limit is not None:
        return site.supply_limit
    return PSI_LIMIT if site.unit == "psi" else BAR_LIMIT
