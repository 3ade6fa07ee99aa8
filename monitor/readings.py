"""The wire form of a reading: what a device says of one point of one site at one instant.

Shared by the monitor and the simulator, and the only thing that they share.
Values are already in canonical units: pressure in kPa gauge, heater in watts or 0/1, temperature in °C.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Point(StrEnum):
    """What is measured at a site."""

    PRESSURE = "pressure"
    HEATER = "heater"
    TEMPERATURE = "temperature"


class Origin(NamedTuple):
    """Which message of which device: ``sequence`` counts up by one within a ``boot`` of the device.

    ``heard`` is when the message arrived [epoch s]: readings of one message share number and arrival, while a
    message that the broker hands over again has the same number and another arrival. Messages on several
    topics may have one number.
    """

    device: str
    boot: str
    sequence: int
    heard: float = 0.0
    topic: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one point: ``time`` in epoch seconds UTC, ``value`` in the point's canonical unit.

    ``origin`` is None where the device does not number its messages.
    """

    site: str
    point: Point
    time: float
    value: float
    origin: Origin | None = None


@dataclass(frozen=True, slots=True)
class Rejected:
    """A payload or sample that was refused, kept with its reason. ``payload`` is cut to 512 bytes.

    ``others`` are the numbers of further samples for which this one line stands.
    """

    received: float
    topic: str
    reason: str
    payload: bytes
    origin: Origin | None = None
    others: tuple[Origin, ...] = ()


def default_topic(site: str, point: Point) -> str:
    """Return the topic on which a point of a site is published by default.

    >>> default_topic("riverside-12", Point.PRESSURE)
    'cushionwatch/riverside-12/pressure'
    """
    return f"cushionwatch/{site}/{point}"


def encode_sample(time: float, value: float, unit: str, origin: Origin | None = None) -> bytes:
    """Return the default JSON payload: ``{"time": epoch seconds, "value": ..., "unit": ...}``.

    With an origin ``device``, ``boot`` and ``sequence`` stand beside them.
    """
    return json.dumps(_sample(time, value, unit, origin)).encode()


def encode_samples(samples: Iterable[tuple[float, float]], unit: str, origin: Origin | None = None) -> bytes:
    """Return the default JSON payload for several (time, value) samples: an array of single payloads."""
    return json.dumps([_sample(time, value, unit, origin) for time, value in samples]).encode()


def _sample(time: float, value: float, unit: str, origin: Origin | None) -> Mapping[str, object]:
    sample = {"time": round(time, 3), "value": value, "unit": unit}
    if origin is None:
        return sample
    return {**sample, "device": origin.device, "boot": origin.boot, "sequence": origin.sequence}
