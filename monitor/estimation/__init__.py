"""From readings to heating windows to the air charge and its uncertainty: pure, no I/O."""
