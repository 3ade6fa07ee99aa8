"""Which number a sample has, by which its device numbers what it sends: its own, or that of its message.

A device counts up by one within a boot, and names another boot (a count of its starts, a random text) whenever
it begins to count anew. A number in the sample numbers the sample, one beside the array of samples numbers the
message, and then all samples of the message share it. A reading whose number is not as it should be is good all
the same: it goes by its time stamp, and the fault is listed once for each topic.

Who may publish for one site must not be able to say what another one has sent: a device that has the name of a site,
as those without a name of their own do, is heard in messages of that site only.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from typing import Final, NamedTuple

from monitor.errors import PayloadError
from monitor.ingest import body
from monitor.ingest.routes import Match
from monitor.ingest.values import show
from monitor.readings import Origin
from monitor.service.ports import Message

NAME_MOST: Final = 64
"""Characters of the name of a device or a boot."""
SEQUENCE_MOST: Final = 2**63 - 1
_TOPICS_TOLD: Final = 1000

_DEFAULT_PATHS: Final = ("device", "boot", "sequence")


class Numbered(NamedTuple):
    """The number of a sample, if it has one, and what is wrong where it has a wrong one."""

    origin: Origin | None
    fault: str = ""


def number(
    match: Match, sample: object, content: object, message: Message, sites: Container[str]
) -> Numbered:
    """Return the number of a sample of a message whose whole payload is ``content``; ``sites``: all that are known."""
    paths = _paths(match)
    sequence = _found(paths[2], sample, content)
    if sequence is None:
        return Numbered(None)
    device, boot = (_found(path, sample, content) for path in paths[:2])
    try:
        return Numbered(
            Origin(
                _device(match.site if device is None else device, match.site, sites),
                _boot(boot),
                _sequence(sequence),
                message.arrived,
                message.topic,
            )
        )
    except PayloadError as exc:
        return Numbered(None, str(exc))


def numbers(match: Match, content: object, message: Message, sites: Container[str]) -> tuple[Origin, ...]:
    """Return the numbers of all samples of a message, whatever else is wrong with them."""
    found = (number(match, sample, content, message, sites).origin for sample in _samples(match, content))
    return tuple(dict.fromkeys(origin for origin in found if origin is not None))


class Faults:
    """Tells the first wrong number of each topic: a device that counts wrongly does so in every message."""

    def __init__(self) -> None:
        self._told: set[str] = set()

    def first(self, topic: str) -> bool:
        """Tell whether nothing was told of this topic yet; of a flood of topics only so many are told."""
        if topic in self._told or len(self._told) >= _TOPICS_TOLD:
            return False
        self._told.add(topic)
        return True


def _paths(match: Match) -> Sequence[str | None]:
    entry = match.entry
    if entry.value_path is None:
        return _DEFAULT_PATHS
    return entry.device_path, entry.boot_path, entry.sequence_path


def _found(path: str | None, sample: object, content: object) -> object:
    """Return what stands at a path in the sample, else in the message; None where nothing does."""
    if path is None:
        return None
    found = body.at(sample, path)
    if found is body.MISSING and content is not sample:
        found = body.at(content, path)
    return None if found is body.MISSING else found


def _samples(match: Match, content: object) -> Iterator[object]:
    try:
        found = body.samples(match.entry, content)
    except PayloadError:
        yield content
        return
    if isinstance(found, body.Several):
        yield from found
    else:
        yield content if found is body.MISSING else found


def _sequence(raw: object) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int) or not 0 <= raw <= SEQUENCE_MOST:
        raise PayloadError(f"sequence {show(raw)}: allowed is a whole number from 0 to 2^63 - 1")
    return raw


def _device(raw: object, site: str, sites: Container[str]) -> str:
    name = _name(raw, "device", forbidden="/+#")
    if name != site and name in sites:
        raise PayloadError(
            f"device {show(raw)} is the name of another site: give the device a name of its own"
        )
    return name


def _boot(raw: object) -> str:
    if raw is None:
        raise PayloadError(
            "sequence without boot: a device that starts to count anew must be told from one that repeats itself; "
            "send a boot that changes at each start, or a fixed one if the count never starts anew"
        )
    return _name(raw, "boot")


def _name(raw: object, what: str, forbidden: str = "") -> str:
    text = (
        str(raw) if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) <= SEQUENCE_MOST else raw
    )
    if not isinstance(text, str) or not 0 < len(text) <= NAME_MOST or not text.isprintable():
        raise PayloadError(
            f"{what} {show(raw)}: allowed is a whole number, or text of 1 to {NAME_MOST} characters"
        )
    if any(sign in text for sign in forbidden):
        raise PayloadError(f"{what} {show(raw)}: allowed is a name without {' '.join(forbidden)}")
    return text
