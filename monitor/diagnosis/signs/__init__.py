"""Signs of faults that are not the air charge's own: one module a sign, each pure state fed by marks."""

from __future__ import annotations

from monitor.diagnosis.signs.ceiling import LowRelief
from monitor.diagnosis.signs.charge_high import ChargeHigh
from monitor.diagnosis.signs.closure import Closure
from monitor.diagnosis.signs.heater import HeaterState
from monitor.diagnosis.signs.loss import Loss
from monitor.diagnosis.signs.sensor import SensorTrust
from monitor.diagnosis.signs.sign import Sign
from monitor.diagnosis.signs.small_tank import SmallTank
from monitor.diagnosis.signs.supply import SupplySide
from monitor.estimation.plant import Plant
from monitor.site import Site


def signs_of(site: Site, plant: Plant) -> tuple[Sign, ...]:
    """Return the signs that are looked for at a site, in the order in which they are asked."""
    return (
        SensorTrust(site, plant),
        HeaterState(site, plant),
        Closure(site, plant),
        Loss(site, plant),
        LowRelief(site, plant),
        ChargeHigh(site, plant),
        SmallTank(site, plant),
        SupplySide(site, plant),
    )
