"""Limits outside of which a value cannot be true, the same for messages and for logs."""

from __future__ import annotations

from typing import Final

PRESSURE_LEAST_KPA: Final = -101.325
"""Gauge pressure of a perfect vacuum at the standard atmosphere (ISO 2533): nothing can be below it."""
PRESSURE_MOST_KPA: Final = 10_000.0
"""Ten times what a relief valve of a water heater allows: a wrong unit, never water."""
TEMPERATURE_LEAST: Final = -50.0
TEMPERATURE_MOST: Final = 200.0
HEATER_MOST_W: Final = 1e9
TIME_MOST: Final = 1e11
"""Epoch seconds of the year 5138; a larger number counts milliseconds."""
