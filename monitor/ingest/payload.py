"""Decodes messages into readings; what cannot be used is refused with its reason and stops nothing else.

Rules of time: a sample without a time stamp has the time of its arrival, but only where that can be true. If
the broker kept the message (retained, or queued while we were away) or if it is one of several samples of a
message, its time is unknown and it is refused. Rules of numbers: see `monitor.ingest.origins`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from monitor.errors import PayloadError
from monitor.ingest import body, origins
from monitor.ingest.routes import Match, Routes
from monitor.ingest.values import read_time, read_value, show
from monitor.readings import Origin, Point, Reading, Rejected
from monitor.service.ports import Message
from monitor.service.settings import DEFAULT_TOPICS, TopicTable
from monitor.site import Site

PAYLOAD_MOST: Final = 256 * 1024
"""Bytes; about 5000 samples with time stamps, more than an hour at one second."""
_KEPT: Final = 512  # bytes of a refused payload that are kept
_TOLD: Final = 50  # refused samples of one message that are told one by one


class Decoder:
    """Turns messages into readings of known sites.

    Parameters
    ----------
    sites : Mapping[str, Site]
        Known sites by id.
    topics : Sequence[TopicTable]
        How topics and payloads are mapped; the first topic that matches decides.
    """

    def __init__(self, sites: Mapping[str, Site], topics: Sequence[TopicTable] = DEFAULT_TOPICS) -> None:
        self._sites = sites
        self._routes = Routes(topics)
        self._faults = origins.Faults()

    @property
    def filters(self) -> tuple[str, ...]:
        """Return the MQTT topic filters to subscribe to."""
        return self._routes.filters

    def decode(self, message: Message) -> tuple[list[Reading], list[Rejected]]:
        """Return the readings in a message and what was refused of it; never raises, never both empty."""
        readings: list[Reading] = []
        refused: list[Rejected] = []
        try:
            for outcome in self._outcomes(message):
                if isinstance(outcome, Reading):
                    readings.append(outcome)
                else:
                    refused.append(outcome)
        except PayloadError as exc:
            refused.append(_rejected(message, str(exc)))
        except Exception as exc:  # noqa: BLE001  # a fault of ours costs one message, never the service
            refused.append(_rejected(message, f"not understood: {type(exc).__name__}"))
        return readings, _shortened(refused, message)

    def _outcomes(self, message: Message) -> Iterator[Reading | Rejected]:
        """Yield what each entry that applies finds; an entry that finds nothing is silent if another does."""
        if len(message.payload) > PAYLOAD_MOST:
            raise PayloadError(f"payload of {len(message.payload)} bytes; allowed: {PAYLOAD_MOST}")
        matches = self._routes.match(message.topic)
        words = any(match.point is Point.HEATER and match.entry.value_path is None for match in matches)
        content = body.parse(message.payload, words=words)
        found = False
        for match in matches:
            try:
                for outcome in self._entry_outcomes(match, content, message):
                    found = True
                    yield outcome
            except PayloadError as exc:
                found = True
                yield _rejected(message, str(exc), origins.numbers(match, content, message, self._sites))
        if not found:
            paths = {match.entry.samples_path or match.entry.value_path or "value" for match in matches}
            told = [
                origin
                for match in matches
                for origin in origins.numbers(match, content, message, self._sites)
            ]
            why = f"nothing at {', '.join(map(repr, sorted(paths)))}; read: {show(content)}"
            yield _rejected(message, why, told)

    def _entry_outcomes(
        self, match: Match, content: object, message: Message
    ) -> Iterator[Reading | Rejected]:
        site = self._sites.get(match.site)
        if site is None:
            raise PayloadError(f"unknown site {show(match.site)}: there is no site file for it")
        found = body.samples(match.entry, content)
        if not isinstance(found, body.Several):
            fields = body.fields(match.entry, found)
            if fields.value is not body.MISSING:
                numbered = origins.number(match, found, content, message, self._sites)
                yield from self._wrong_number(numbered, message)
                yield _reading(match, site, fields, message, numbered.origin, alone=True)
            return
        for sample in found:
            numbered = origins.number(match, sample, content, message, self._sites)
            yield from self._wrong_number(numbered, message)
            fields = body.fields(match.entry, sample)
            try:
                yield _reading(match, site, fields, message, numbered.origin, alone=len(found) == 1)
            except PayloadError as exc:
                own = () if numbered.origin is None else (numbered.origin,)
                yield _rejected(message, str(exc), own, _encoded(sample))

    def _wrong_number(self, numbered: origins.Numbered, message: Message) -> Iterator[Rejected]:
        if numbered.fault and self._faults.first(message.topic):
            why = f"the number was left aside, the reading goes by its time: {numbered.fault}"
            yield _rejected(message, f"{why} (told once for this topic)")


def _reading(
    match: Match, site: Site, fields: body.Fields, message: Message, origin: Origin | None, *, alone: bool
) -> Reading:
    if fields.value is body.MISSING:
        raise PayloadError(f"nothing at {match.entry.value_path or 'value'!r} in this sample")
    value = read_value(fields.value, fields.unit, match.point, match.entry, site.unit)
    return Reading(site.id, match.point, _time(match, fields.time, message, alone=alone), value, origin)


def _time(match: Match, stamp: object, message: Message, *, alone: bool) -> float:
    if stamp is body.MISSING:
        raise PayloadError(f"time unknown: nothing at {match.entry.time_path!r}")
    if stamp is not None and match.entry.time_format != "none":
        return read_time(stamp, match.entry, message.arrived)
    if message.retained:
        raise PayloadError(
            "time unknown: no time stamp, and the broker kept this message for an unknown time"
        )
    if not alone:
        raise PayloadError("time unknown: one of several samples without a time stamp")
    return message.arrived


def _rejected(
    message: Message, reason: str, numbers: Sequence[Origin] = (), payload: bytes | None = None
) -> Rejected:
    kept = message.payload if payload is None else payload
    first, *others = dict.fromkeys(numbers) or (None,)
    return Rejected(message.arrived, message.topic, reason, kept[:_KEPT], first, tuple(filter(None, others)))


def _encoded(sample: object) -> bytes:
    """Return a sample as text again; Python's encoder, because it writes whatever its decoder has read."""
    try:
        return json.dumps(sample).encode()
    except (ValueError, RecursionError):  # an integer of thousands of digits, brackets in brackets
        return show(sample).encode()


def _shortened(refused: list[Rejected], message: Message) -> list[Rejected]:
    """Tell the first refusals one by one and count the others, so that one message cannot flood the list."""
    if len(refused) <= _TOLD:
        return refused
    rest = refused[_TOLD:]
    numbers = [origin for row in rest for origin in (row.origin, *row.others) if origin is not None]
    more = _rejected(message, f"and {len(rest)} more samples of this message were refused", numbers)
    return [*refused[:_TOLD], more]
