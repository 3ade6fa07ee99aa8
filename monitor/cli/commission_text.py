"""A commissioning in words: what is wrong first, then what is doubtful, what fits, and what to do next."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from monitor.diagnosis.commissioning.check import Accuracy, Check, Commissioning, Interval, Word
from monitor.diagnosis.commissioning.judge import NAMES, sorted_by_word
from monitor.site import Site
from monitor.web import words

_WIDTH: Final = 88
_HEADS: Final = {
    Word.WRONG: "Wrong",
    Word.DOUBTFUL: "Doubtful",
    Word.NOT_SEEN: "Not seen yet",
    Word.FITS: "Fits",
}


def text(site: Site, found: Commissioning) -> str:
    """Return a commissioning as lines of text."""
    return "\n".join(_lines(site, found))


def _lines(site: Site, found: Commissioning) -> Iterator[str]:
    yield f"{site.name or site.id} ({site.id})"
    if found.start is not None and found.end is not None:
        span = f"{words.moment(found.start, site.timezone)} to {words.moment(found.end, site.timezone)}"
        yield f"  Looked at {found.samples} rows, {span}."
    ranked = sorted_by_word(found.checks)
    for word, head in _HEADS.items():
        group = [check for check in ranked if check.word is word]
        if group:
            yield ""
            yield head
        for check in group:
            yield from _check(check)
    yield ""
    yield "Air charge"
    yield from _accuracy(site, found.accuracy)
    yield ""
    yield "Next"
    for number, step in enumerate(found.next, 1):
        yield from _wrapped(f"  {number}. ", step, 5)


def _check(check: Check) -> Iterator[str]:
    yield from _wrapped(f"  {NAMES[check.code]:<15}  ", check.seen, 19)
    if check.do:
        yield from _wrapped(" " * 19 + "Do: ", check.do, 23)


def _accuracy(site: Site, found: Accuracy | None) -> Iterator[str]:
    if found is None:
        yield "  Not weighed yet, or not to be trusted before the above is right."
        return
    now, then = _about(site, found.now), _half(site, found.gauged)
    yield from _wrapped("  ", f"Today {now}, 90 % interval. Most of that doubt is one scale, the same for all windows: "
                        "how much heat really goes in. A gauge reading of the tank, entered as a visit, takes it away; "
                        f"after it, and as many days again, expect ± {then}.", 2)  # fmt: skip
    if found.blind_now is not None:
        yield from _wrapped(
            "  ", f"Without the temperature it would read {_about(site, found.blind_now)}.", 2
        )


def _about(site: Site, one: Interval) -> str:
    low, high = (words.pressure(max(x, 0.0), site.unit, bare=True) for x in (one.low_kpa, one.high_kpa))
    return f"{words.pressure(max(one.kpa, 0.0), site.unit)} ({low} to {high})"


def _half(site: Site, one: Interval) -> str:
    return words.pressure(0.5 * (one.high_kpa - one.low_kpa), site.unit)


def _wrapped(first: str, body: str, indent: int) -> list[str]:
    return textwrap.wrap(
        body, _WIDTH, initial_indent=first, subsequent_indent=" " * indent, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
