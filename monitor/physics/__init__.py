"""Physics of water, air cushion and pipework: pure functions, no I/O."""
