"""Whether a new site is set up so that its cushion can be watched: sensor, heater state, clocks, units, site data."""
