"""Plants for evaluation: traces of households and heaters from outside, with a cushion added here.

Independent on purpose: nothing here imports the monitor or the simulator.
"""
