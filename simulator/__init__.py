"""Plants with their own physics that publish readings: shares only the wire form with the monitor.

From the outside in: ``python -m simulator`` (``__main__``, ``arguments``) writes files (``files``) or plays a
``scenario`` over MQTT (``player`` orders and paces, ``publisher`` sends). A ``recording`` is many days of one
``plant`` as its ``sensors`` saw it, with the truth beside it. A plant joins ``climate``, ``draws``, ``heater``
and ``network`` (with its ``cushion``); ``spec`` describes it, ``faults`` says what goes wrong, ``catalogue``
names ready-made ones.

>>> from simulator.catalogue import PLANTS
>>> from simulator.recording import simulate
>>> run = simulate(PLANTS["torn"](), days=1, seed=1, epoch=1767571200.0)
>>> run.truth.faults
[('tear', 1768435200.0, 2.0)]
"""
