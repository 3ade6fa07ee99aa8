"""Whatever the rows and the site file hold, commissioning answers in words and in numbers that JSON has."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli.commission_text import text
from monitor.diagnosis.commissioning.check import Word
from monitor.estimation.samples import Samples
from monitor.service.commissioning import commission, piece
from monitor.site import Heater, HeaterKind, Site
from monitor.web.machine_commissioning import commissioning
from tests.plants.formula import HOME, START, Line


def maybe(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


SITES = st.builds(
    Site,
    id=st.just("any"),
    altitude=st.floats(-400.0, 5000.0),
    unit=st.sampled_from(["psi", "kPa", "bar", "MPa"]),
    heater=st.builds(
        Heater,
        kind=st.sampled_from(HeaterKind),
        volume=maybe(1e-3, 50.0),
        input=maybe(100.0, 5e6),
        efficiency=maybe(0.3, 6.0),
        setpoint=maybe(20.0, 95.0),
    ),
    tank_volume=maybe(1e-4, 10.0),
    precharge=maybe(0.0, 1e6),
    supply=maybe(1e4, 1e6),
    relief=maybe(1e5, 1e6),
)


@st.composite
def any_rows(draw: st.DrawFn) -> Samples:
    count = draw(st.integers(0, 2000))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    step = draw(st.sampled_from([0.1, 1.0, 10.0, 60.0, 3600.0, 86400.0]))
    time = START + np.cumsum(step * rng.uniform(0.01, 2.0, count))
    span = draw(st.sampled_from([0.0, 1e-6, 1.0, 500.0, 1e4]))
    pressure = np.clip(draw(st.floats(-101.0, 1e4)) + span * rng.normal(size=count), -101.325, 1e4)
    runs = np.repeat(rng.integers(0, 2, count), rng.integers(1, 60, count))[:count]
    heater = runs * draw(st.sampled_from([1.0, 3.0, 11.7, 11700.0, 1e9]))
    warm = rng.uniform(-50.0, 200.0, count)
    lost = draw(st.floats(0.0, 1.0))
    for column in (heater, warm):
        column[rng.random(count) < lost] = np.nan
    return Samples(time, pressure, heater.astype(float), warm)


@given(rows=any_rows(), site=SITES, latest=st.booleans())
@settings(deadline=None, max_examples=30)
def test_any_rows_and_any_site_get_an_answer(rows: Samples, site: Site, latest: bool) -> None:
    found = commission(site, piece(rows, latest=latest))
    assert found.checks
    assert found.next
    told = text(site, found)
    for no_number in ("nan", "inf "):
        assert f" {no_number}" not in told
    json.dumps(commissioning(found), allow_nan=False)
    assert all(one.do for one in found.checks if one.word in {Word.WRONG, Word.DOUBTFUL})


@given(keep=st.floats(0.0, 0.4), seed=st.integers(0, 99))
@settings(deadline=None, max_examples=8)
def test_a_site_without_heater_state_never_fits_however_much_is_known(keep: float, seed: int) -> None:
    rows = Line(hours=26.0, interval=30.0).rows()
    known = np.random.default_rng(seed).random(len(rows)) < keep
    found = commission(HOME, replace(rows, heater=np.where(known, rows.heater, np.nan)))
    assert not found.fits


@pytest.mark.parametrize("site", [HOME, Site(id="bare")])
@pytest.mark.parametrize("value", [0.0, -101.325, 1e4])
def test_a_line_that_never_moves_gets_an_answer(site: Site, value: float) -> None:
    rows = Line(hours=26.0, interval=60.0).rows()
    found = commission(site, replace(rows, pressure=np.full(len(rows), value)))
    assert not found.fits
