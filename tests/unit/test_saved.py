"""A saved state: what is accepted, what it depends on, and that it can do no harm."""

from __future__ import annotations

import os
import pickle
import zlib
from dataclasses import replace

import pytest

from monitor.errors import StoreError
from monitor.service import saved
from monitor.service.pipeline import SitePipeline
from monitor.service.saved import freeze, program_of, thaw
from monitor.site import Heater, HeaterKind, Site

SITE = Site("a", heater=Heater(HeaterKind.STORAGE, volume=0.15, input=11.7e3))


def test_a_state_is_small_for_it_leaves_out_what_the_site_file_decides() -> None:
    assert len(freeze(SitePipeline(SITE))) < 10_000


def test_what_the_site_file_decides_is_that_of_now() -> None:
    assert thaw(freeze(SitePipeline(SITE)), SITE).given["site"] is SITE


def test_other_facts_make_another_state_necessary() -> None:
    assert program_of(SITE) == program_of(replace(SITE))
    assert program_of(SITE) != program_of(replace(SITE, altitude=1500.0))


def test_other_code_makes_another_state_necessary(monkeypatch: pytest.MonkeyPatch) -> None:
    before = program_of(SITE)
    monkeypatch.setattr(saved, "_code", lambda: "another version")
    assert program_of(SITE) != before


class Harm:
    """Runs a command when it is read by an ordinary reader of pickles."""

    def __init__(self, *action: object) -> None:
        self.action = action

    def __reduce__(self) -> object:
        return self.action[0], self.action[1:]


@pytest.mark.parametrize(
    "harm",
    [
        Harm(os.system, "exit 1"),
        Harm(eval, "1"),
        Harm(getattr, "", "join"),
        Harm(pickle.loads, b"N."),
        Harm(zlib.compress, b""),
    ],
    ids=["a command", "code", "an attribute", "another pickle", "a function"],
)
def test_a_state_that_somebody_brings_along_runs_nothing(harm: Harm) -> None:
    with pytest.raises(StoreError, match="has no place in a state"):
        thaw(zlib.compress(pickle.dumps(harm)), SITE)


@pytest.mark.parametrize(
    "body",
    [b"", b"nonsense", zlib.compress(b""), zlib.compress(b"N."), zlib.compress(pickle.dumps(5))],
    ids=["empty", "no compression", "nothing in it", "none", "a number"],
)
def test_what_is_no_state_is_refused(body: bytes) -> None:
    with pytest.raises(StoreError, match="saved state of site a"):
        thaw(body, SITE)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (zlib.compress(bytes(saved.MOST + 1)), "unpacks to more than 64 MiB"),
        (zlib.compress(bytes(1000))[:-4], "is cut short"),
    ],
    ids=["a bomb", "half a state"],
)
def test_a_state_is_unpacked_up_to_a_bound(body: bytes, words: str) -> None:
    with pytest.raises(StoreError, match=words):
        thaw(body, SITE)


def test_a_damaged_state_is_refused_or_read_never_worse() -> None:
    body = zlib.decompress(freeze(SitePipeline(SITE)))
    for place in range(0, len(body), 37):
        bad = zlib.compress(body[:place] + bytes([body[place] ^ 0x5A]) + body[place + 1 :], 1)
        try:
            thaw(bad, SITE)
        except StoreError:
            continue
