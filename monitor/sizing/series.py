"""Nominal volumes to choose from: preferred numbers of a standard, not a list of any maker."""

from __future__ import annotations

import math
from typing import Final

R10: Final = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Preferred numbers, basic series R 10 (ISO 3:1973; the same in ANSI Z17.1)."""


def next_larger(value: float) -> float:
    """Return the smallest preferred number that is not below ``value`` > 0.

    Examples
    --------
    >>> next_larger(5.4)
    6.3
    >>> next_larger(8.01)
    10.0
    """
    decade = 10.0 ** math.floor(math.log10(value))
    # Digits of the decade's power are lost: a preferred number itself must come back.
    for number in (*R10, 10.0, 12.5):
        if number * decade >= value * (1.0 - 1e-9):
            return number * decade
    raise AssertionError(value)  # a decade spans 1 to 10
