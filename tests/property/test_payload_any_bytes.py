"""Whatever arrives becomes readings or refusals with a reason, and never an exception."""

import json
import math

from hypothesis import example, given
from hypothesis import strategies as st

from monitor.ingest.payload import Decoder
from monitor.readings import Point
from monitor.service.ports import Message
from monitor.service.settings import DEFAULT_TOPICS, TopicTable
from monitor.site import Site

NOW = 1769839200.0
SITES = {"a": Site("a", unit="psi")}
TOPICS = (
    *DEFAULT_TOPICS,
    TopicTable(
        topic="m/{site}",
        point=Point.PRESSURE,
        samples_path="d",
        value_path="[1]",
        time_path="[0]",
        device_path="device",
        boot_path="[2]",
        sequence_path="sequence",
    ),
    TopicTable(
        topic="n", site="a", point=Point.HEATER, value_path="h", time_path="t", on=("x",), time_format="ms"
    ),
    TopicTable(topic="n", site="a", point=Point.PRESSURE, value_path="p", unit_path="u"),
    TopicTable(
        topic="s",
        site="a",
        point=Point.PRESSURE,
        scale={"input": "4-20 mA", "low": "0 bar", "high": "10 bar"},
    ),
)
DECODER = Decoder(SITES, TOPICS)

topics = st.one_of(
    st.sampled_from(
        ["cushionwatch/a/pressure", "cushionwatch/a/heater", "cushionwatch/a/temperature", "m/a", "n", "s"]
    ),
    st.text(),
)
numbers = st.one_of(
    st.floats(), st.integers(), st.sampled_from([NOW, NOW * 1000, 10**400, -(10**400), 0.0, 1, 12])
)
scalars = st.one_of(
    st.none(), st.booleans(), numbers, st.text(), st.sampled_from(["on", "kPa", "2026-01-31T06:00:00Z"])
)
names = ["time", "value", "unit", "d", "h", "t", "p", "u", "device", "boot", "sequence"]
keys = st.one_of(st.sampled_from(names), st.text())
values = st.recursive(
    scalars, lambda inner: st.one_of(st.lists(inner), st.dictionaries(keys, inner)), max_leaves=20
)


def check(topic, payload, retained):
    readings, refused = DECODER.decode(Message(topic, payload, NOW, retained))
    assert readings or refused
    for item in refused:
        assert item.reason
        assert not item.reason.startswith("not understood")
        item.reason.encode()
        assert len(item.payload) <= 512
    numbers = [number for item in refused for number in (item.origin, *item.others)]
    for number in filter(None, [*numbers, *(reading.origin for reading in readings)]):
        assert 0 <= number.sequence < 2**63
        assert 0 < len(number.device.encode()) <= 256
        assert 0 < len(number.boot.encode()) <= 256
        assert not set("/+#\0\n") & set(number.device)
    for reading in readings:
        assert reading.site == "a"
        assert math.isfinite(reading.value)
        assert 1e9 <= reading.time <= NOW + 300
        low, high = {"pressure": (-101.325, 1e4), "temperature": (-50, 200), "heater": (0, 1e9)}[
            reading.point
        ]
        assert low <= reading.value <= high


@given(topics, st.binary(), st.booleans())
@example("cushionwatch/a/pressure", b"[" * 250_000, False)
@example("cushionwatch/a/pressure", b'{"a":' * 40_000, False)
@example("cushionwatch/a/pressure", b"1" * 200_000, False)
@example("cushionwatch/a/heater", b'"\\ud800"', False)
@example("cushionwatch/a/pressure", b'{"value": 1, "unit": "\\ud800"}', False)
@example("cushionwatch/\ud800/pressure", b"1", False)
def test_any_bytes_on_any_topic(topic, payload, retained):
    check(topic, payload, retained)


@given(topics, values, st.booleans())
def test_any_json_on_any_topic(topic, value, retained):
    check(topic, json.dumps(value).encode(), retained)  # with NaN and lone surrogates, as careless devices do


@given(st.lists(st.one_of(st.just(math.nan), st.floats(-100, 1000)), min_size=1))
def test_each_good_sample_arrives_whatever_stands_beside_it(pressures):
    samples = [
        {"time": NOW - number, "value": value, "unit": "kPa"} for number, value in enumerate(pressures)
    ]
    readings, _ = DECODER.decode(Message("cushionwatch/a/pressure", json.dumps(samples).encode(), NOW))
    expected = [(s["time"], s["value"]) for s in samples if not math.isnan(s["value"])]
    assert [(reading.time, reading.value) for reading in readings] == expected
