"""Commands, one module each; heavy imports wait until a command needs them."""
