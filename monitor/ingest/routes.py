"""Which settings apply to a topic, and of which site and point a message on it speaks."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.errors import PayloadError
from monitor.readings import Point
from monitor.service.settings import TopicTable

_PLACEHOLDER = re.compile(r"\{(site|point)\}")
_CACHED: Final = 20_000  # topics whose match is remembered; a flood of invented topics costs no more memory


@dataclass(frozen=True, slots=True)
class Match:
    """An entry that applies to a topic, with the site and point as the topic or the entry names them."""

    entry: TopicTable
    site: str
    point: Point


class Routes:
    """The topic entries of the settings, ready to be asked; the first topic that matches decides."""

    def __init__(self, entries: Sequence[TopicTable]) -> None:
        groups: dict[str, list[TopicTable]] = {}
        for entry in entries:
            groups.setdefault(entry.topic, []).append(entry)
        self._groups = [(_pattern(topic), group) for topic, group in groups.items()]
        self._known: dict[str, tuple[Match, ...]] = {}
        self.filters = tuple(dict.fromkeys(_filter(topic) for topic in groups))

    def match(self, topic: str) -> tuple[Match, ...]:
        """Return the entries that apply; `PayloadError` where none does or the point is unknown."""
        known = self._known.get(topic)
        if known is None:
            known = self._search(topic)
            if len(self._known) >= _CACHED:
                self._known.clear()
            self._known[topic] = known
        return known

    def _search(self, topic: str) -> tuple[Match, ...]:
        for pattern, group in self._groups:
            found = pattern.fullmatch(topic)
            if found is not None:
                named = found.groupdict()
                return tuple(_matched(entry, named) for entry in group)
        raise PayloadError("no [[topics]] entry of the settings matches this topic")


def _matched(entry: TopicTable, named: dict[str, str]) -> Match:
    word = entry.point or named["point"]
    if word not in set(Point):
        raise PayloadError(f"unknown point {word!a} in the topic; allowed: {', '.join(Point)}")
    return Match(entry, entry.site or named["site"], Point(word))


def _filter(topic: str) -> str:
    """Return the MQTT filter to subscribe to: a level with a placeholder becomes ``+``.

    >>> _filter("plant/unit-{site}/{point}")
    'plant/+/+'
    """
    return "/".join("+" if _PLACEHOLDER.search(level) else level for level in topic.split("/"))


def _pattern(topic: str) -> re.Pattern[str]:
    """Return a pattern for topics; ``a/#`` matches ``a`` itself too (MQTT 5, 4.7.1.2)."""
    levels = topic.split("/")
    rest = levels[-1] == "#"
    text = "/".join(_level(level) for level in (levels[:-1] if rest else levels))
    if rest:
        text = f"{text}(?:/.*)?" if len(levels) > 1 else ".*"
    return re.compile(text, re.DOTALL)


def _level(level: str) -> str:
    if level == "+":
        return "[^/]*"
    parts = _PLACEHOLDER.split(level)  # text, name, text, name, ..., text
    return "".join(f"(?P<{part}>[^/]+)" if index % 2 else re.escape(part) for index, part in enumerate(parts))
