"""The size of an expansion tank: methods of the handbooks and standards, each step with its source; pure."""
