"""``[visits]``: what becomes of a service visit."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator

from monitor.diagnosis.watchweek import WEEK
from monitor.service.settings.problems import Table
from monitor.service.settings.quantities import quantity

_LENGTH = quantity("duration", "3 d", "60 d", "; a slow loss needs about a week to be seen")

WatchLength = Annotated[float, BeforeValidator(_LENGTH)]


class VisitsTable(Table):
    """For how long a tank is watched after a visit. [s]."""

    watch: WatchLength = WEEK
