"""The rows of a site out of the store, piece by piece, joined as the service joins them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from monitor.estimation.samples import Samples
from monitor.readings import Point
from monitor.service.pipeline import Aligner, in_order, to_samples
from monitor.service.ports import Store

PIECE: Final = 2 * 86400.0
"""Seconds of readings that are held in memory at once."""


def stored_pieces(store: Store, site: str) -> Iterator[tuple[Samples, float]]:
    """Yield rows, ascending, each piece with the share of the time that is done (0 to 1)."""
    span = store.span(site)
    if span is None:
        return
    aligner = Aligner()
    start, end = span
    while start <= end:
        series = {point: store.readings(site, point, start, start + PIECE) for point in Point}
        rows = [row for reading in in_order(site, series) for row in aligner.add(reading)]
        start += PIECE
        if start > end:
            rows += aligner.reach(math.inf)
        yield to_samples(rows), min((start - span[0]) / (end - span[0] + 1.0), 1.0)
