"""From estimates to named faults with words, evidence and advice: pure, no I/O."""
