"""The wire form: topics and payloads exactly as another program would have to write them."""

from __future__ import annotations

import json
from dataclasses import FrozenInstanceError

import pytest

from monitor.readings import Point, Reading, default_topic, encode_sample, encode_samples


@pytest.mark.parametrize(
    ("point", "topic"),
    [
        (Point.PRESSURE, "cushionwatch/riverside-12/pressure"),
        (Point.HEATER, "cushionwatch/riverside-12/heater"),
        (Point.TEMPERATURE, "cushionwatch/riverside-12/temperature"),
    ],
)
def test_default_topics(point: Point, topic: str) -> None:
    assert default_topic("riverside-12", point) == topic


def test_one_sample_is_one_json_object() -> None:
    assert (
        encode_sample(1767225600.25, 412.5, "kPa")
        == b'{"time": 1767225600.25, "value": 412.5, "unit": "kPa"}'
    )


def test_time_is_written_to_the_millisecond() -> None:
    assert json.loads(encode_sample(1767225600.123456, 1.0, "kPa"))["time"] == 1767225600.123


def test_several_samples_are_an_array_of_the_same_objects() -> None:
    samples = [(1767225600.0, 412.5), (1767225610.0, 413.0)]
    together = json.loads(encode_samples(samples, "kPa"))
    assert together == [json.loads(encode_sample(time, value, "kPa")) for time, value in samples]


def test_no_samples_are_an_empty_array() -> None:
    assert encode_samples(iter(()), "kPa") == b"[]"


def test_a_reading_does_not_change() -> None:
    reading = Reading("riverside-12", Point.PRESSURE, 1767225600.0, 412.5)
    with pytest.raises(FrozenInstanceError):
        reading.value = 0.0  # type: ignore[misc]
