"""What is seen of each fault in general: for recipients in whose language the diagnosis does not speak."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

SEEN: Final[Mapping[str, str]] = {
    "air_charge_low": "The pressure rises more with each heat-up than it should: the tank holds too little air.",
    "air_cushion_lost": "The pressure rises with each heat-up as if there were no air in the tank any more.",
    "air_charge_high": "The pressure leaps up with each heat-up until the tank begins to take water.",
    "tank_undersized": "The air charge is right, and the pressure still comes near the relief setting.",
    "supply_pressure_high": "The line at rest stands above the limit of the supply pressure.",
    "regulator_creep": "The line climbs slowly while nobody draws and nothing is heated.",
    "check_valve_passing": "The line falls after each heat-up without a draw: water goes back to the street.",
    "relief_discharging": "The pressure stands still near the relief setting while the heater burns.",
    "water_loss": "The line sinks again and again without a draw.",
    "pressure_sensor_fault": "The readings of the pressure sensor are not those of a pressure in this line.",
    "heater_state_fault": "The line rises when no heater is reported on, or does not when one is.",
    "blind": "There are no readings, or none from which a lost air cushion could be seen.",
}

UNSEEN: Final = "See the page of the site."
