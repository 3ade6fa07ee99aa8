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
    """Which message of which device: ``sequence`` counts up by one within a ``boot`` of the device."""

    device: str
    boot: str
    sequence: int


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
    """A payload or sample that was refused, kept with its reason. ``payload`` is cut to 512 bytes."""

    received: float
    topic: str
    reason: str
    payload: bytes
    origin: Origin | None = None


def default_topic(site: str, point: Point) -> str:
    """Return the topic on which a point of a site is published by default.

    >>> default_topic("riverside-12", Point.PRESSURE)
    'cushionwatch/riverside-12/pressure'
    """
    return f"cushionwatch/{site}/{point}"


def encode_sample(time: float, value: float, unit: str) -> bytes:
    """Return the default JSON payload: ``{"time": epoch seconds, "value": ..., "unit": ...}``."""
    return json.dumps({"time": round(time, 3), "value": value, "unit": unit}).encode()


def encode_samples(samples: Iterable[tuple[float, float]], unit: str) -> bytes:
    """Return the default JSON payload for several (time, value) samples: an array of single payloads."""
    rows: list[Mapping[str, object]] = [
        {"time": round(time, 3), "value": value, "unit": unit} for time, value in samples
    ]
    return json.dumps(rows).encode()
