"""Every form of payload that the settings can describe, and every refusal with its reason."""

import json
from datetime import UTC, datetime

import pytest

from monitor.ingest.payload import PAYLOAD_MOST, Decoder
from monitor.readings import Point, Reading, encode_sample, encode_samples
from monitor.service.ports import Message
from monitor.service.settings import TopicTable
from monitor.site import Site

NOW = datetime(2026, 1, 31, 6, 0, 0, tzinfo=UTC).timestamp()
SITES = {"a": Site("a", unit="psi"), "b": Site("b", unit="kPa")}
PSI = 6.894757293168361  # kPa; NIST SP 811 (2008), B.8


def decode(payload, topic="cushionwatch/b/pressure", topics=None, *, retained=False):
    body = (
        payload
        if isinstance(payload, bytes)
        else payload.encode()
        if isinstance(payload, str)
        else json.dumps(payload).encode()
    )
    decoder = Decoder(SITES, [TopicTable(**entry) for entry in topics]) if topics else Decoder(SITES)
    readings, refused = decoder.decode(Message(topic, body, NOW, retained))
    assert all((item.topic, item.received) == (topic, NOW) for item in refused)
    assert all(len(item.payload) <= 512 for item in refused)
    return readings, refused


def one(payload, topic="cushionwatch/b/pressure", topics=None, **options) -> Reading:
    readings, refused = decode(payload, topic, topics, **options)
    assert refused == []
    (reading,) = readings
    return reading


def reason(payload, topic="cushionwatch/b/pressure", topics=None, **options) -> str:
    readings, refused = decode(payload, topic, topics, **options)
    assert readings == []
    (item,) = refused
    return item.reason


def test_a_bare_pressure_is_in_the_unit_of_the_site_and_dated_by_its_arrival():
    assert one("412.5") == Reading("b", Point.PRESSURE, NOW, 412.5)
    assert one(" 60\n", "cushionwatch/a/pressure").value == pytest.approx(60 * PSI, rel=1e-12)


def test_what_our_own_encoder_writes_is_understood():
    stamps = [(NOW - 20.5, 1.0), (NOW - 10.25, 2.0)]
    assert one(encode_sample(NOW - 3.125, 61.5, "psi")) == Reading(
        "b", Point.PRESSURE, NOW - 3.125, pytest.approx(61.5 * PSI)
    )
    readings, refused = decode(encode_samples(stamps, "bar"))
    assert [(reading.time, reading.value) for reading in readings] == [
        (NOW - 20.5, 100.0),
        (NOW - 10.25, 200.0),
    ]
    assert refused == []
    assert one(encode_sample(NOW, 1.0, ""), "cushionwatch/b/heater").value == 1.0


@pytest.mark.parametrize(
    ("unit", "kpa"),
    [("psi", PSI), ("bar", 100.0), ("mbar", 0.1), ("kPa", 1.0), ("MPa", 1000.0), ("Pa", 0.001)],
)
def test_units_of_pressure(unit, kpa):
    assert one({"value": 2, "unit": unit}).value == pytest.approx(2 * kpa, rel=1e-12)


@pytest.mark.parametrize(
    "stamp",
    [NOW, int(NOW), "2026-01-31T06:00:00Z", "2026-01-31t07:00:00.000+01:00", "2026-01-31 06:00:00Z", None],
)
def test_default_time_stamps(stamp):
    assert one({"value": 1, "time": stamp}).time == NOW


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        ("0", 0),
        ("1", 1),
        ("11700", 11700),
        ("true", 1),
        ("false", 0),
        ("on", 1),
        ("OFF", 0),
        ('"On"', 1),
        ('" off"', 0),
        ({"value": "on"}, 1),
        ({"value": True}, 1),
        ({"value": 11.7, "unit": "kW"}, 11700),
        ({"value": 1, "unit": "0/1"}, 1),
    ],
)
def test_heater_states(raw, value):
    assert one(raw, "cushionwatch/b/heater") == Reading("b", Point.HEATER, NOW, pytest.approx(value))


def test_temperatures():
    assert one("54.5", "cushionwatch/b/temperature").value == 54.5
    assert one({"value": 212, "unit": "degF"}, "cushionwatch/b/temperature").value == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "empty payload"),
        (b" \n", "empty payload"),
        (b"[]", "an empty array"),
        (b"12,5", "no JSON"),
        (b"hello", "no JSON"),
        (b"\xff\xfe1\x00", "neither JSON nor UTF-8 text"),
        (b"NaN", "pressure nan is not finite"),
        (b"Infinity", "pressure inf is not finite"),
        (b"1e999", "pressure inf is not finite"),
        (b"1" + b"0" * 400, "is not finite"),
        (b"1" + b"0" * 5000, ""),
        (b"true", "pressure True is no number"),
        (b"null", "pressure None is no number"),
        (b'"61.2"', "pressure '61.2' is text, a number is needed"),
        (b"{}", "nothing at 'value'; read: {}"),
        (b'{"v": 1}', "nothing at 'value'; read: {'v': 1}"),
        (b'{"value": "61.2"}', "is text, a number is needed"),
        (b'{"value": [1]}', "pressure [1] is no number"),
        (b'{"value": 1, "unit": "psia"}', "unit 'psia' is not known for a pressure: allowed are psi, bar"),
        (b'{"value": 1, "unit": 3}', "unit 3 is no text"),
        (b'{"value": -101.4}', "-101.4 kPa gauge, outside -101.325 to 10000: is the unit right?"),
        (b'{"value": 1500, "unit": "psi"}', "10342.1 kPa gauge, outside"),
        (b'{"value": 1, "time": "yesterday"}', "no RFC 3339 text, like 2026-01-31T06:00:00Z"),
        (b'{"value": 1, "time": "2026-01-31T06:00:00"}', "no UTC offset"),
        (b'{"value": 1, "time": true}', "time True is no number"),
        (b'{"value": 1, "time": 12}', "before September 2001: the clock of the device is not set"),
        (b'{"value": 1, "time": 1769839501}', "more than 5 min ahead"),
        (b'{"value": 1, "time": 1769839200000}', 'set time_format = "ms"'),
        (b'{"value": 1, "time": "9999-12-31T23:59:59-14:00"}', "more than 5 min ahead"),
        (b"[" * 100_000, "nested too deeply"),
        (b"[" * 900 + b"]" * 900, "is no number"),
        (b"1" * (PAYLOAD_MOST + 1), f"payload of {PAYLOAD_MOST + 1} bytes; allowed: {PAYLOAD_MOST}"),
    ],
)
def test_a_bad_payload_is_refused_with_its_reason(payload, words):
    told = reason(payload)
    assert told
    assert words in told
    assert told.isascii() or "°" in told
    assert not told.startswith("not understood")


def test_time_may_be_five_minutes_ahead_and_pressure_may_reach_both_limits():
    assert one({"value": 1, "time": NOW + 300}).time == NOW + 300
    assert one({"value": -101.325}).value == -101.325
    assert one({"value": 10, "unit": "MPa"}).value == 10_000


@pytest.mark.parametrize(
    ("topic", "payload", "words"),
    [
        ("cushionwatch/x/pressure", "1", "unknown site 'x': there is no site file"),
        (
            "cushionwatch/b/presure",
            "1",
            "unknown point 'presure' in the topic; allowed: pressure, heater, temperature",
        ),
        ("elsewhere/b/pressure", "1", "no [[topics]] entry"),
        ("cushionwatch/b/pressure/x", "1", "no [[topics]] entry"),
        ("cushionwatch/b/heater", "-1", "heater -1 is outside 0 to"),
        ("cushionwatch/b/heater", "perhaps", "heater 'perhaps' is text"),
        ("cushionwatch/b/heater", '{"value": 1, "unit": "psi"}', "unit 'psi' is not known for a power"),
        ("cushionwatch/b/heater", "null", "heater None is no number"),
        ("cushionwatch/b/temperature", "201", "temperature 201 is 201 °C, outside -50 to 200"),
        ("cushionwatch/b/temperature", "on", "no JSON"),
        ("cushionwatch/b\n\x00/pressure", "1", "unknown site 'b\\n\\x00'"),
    ],
)
def test_unknown_topics_and_values_of_other_points_are_refused(topic, payload, words):
    assert words in reason(payload, topic)


def test_a_bad_sample_costs_only_itself():
    samples = [
        {"time": NOW - 3, "value": 1},
        {"time": NOW - 2, "value": float("nan")},
        {"time": NOW - 1, "value": 3},
        7,
        {"value": 4},
        [1],
        {"time": NOW - 1},
        {"time": NOW, "value": 5, "seq": 12},
    ]
    readings, refused = decode(samples)
    assert [(reading.time, reading.value) for reading in readings] == [(NOW - 3, 1), (NOW - 1, 3), (NOW, 5)]
    assert [item.reason for item in refused] == [
        "pressure nan is not finite",
        "time unknown: one of several samples without a time stamp",
        "time unknown: one of several samples without a time stamp",
        "pressure [1] is no number",
        "nothing at 'value' in this sample",
    ]
    assert refused[0].payload == json.dumps(samples[1]).encode()
    assert refused[1].payload == b"7"


def test_one_message_cannot_flood_the_list_of_refusals():
    readings, refused = decode([0] * 1000)
    assert readings == []
    assert len(refused) == 51
    assert refused[-1].reason == "and 950 more samples of this message were refused"


def test_an_undated_message_that_the_broker_kept_has_an_unknown_time():
    assert "time unknown" in reason("412.5", retained=True)
    assert "time unknown" in reason('{"value": 1}', retained=True)
    assert one({"value": 1, "time": NOW - 86400}, retained=True).time == NOW - 86400
    assert one("[412.5]").time == NOW


def entry(**more):
    return {"topic": "gw/{site}/x", "point": "pressure", **more}


@pytest.mark.parametrize(
    ("mapping", "payload", "kpa", "time"),
    [
        ({"unit": "bar"}, 4, 400, NOW),
        ({"value_path": "p"}, {"p": 4}, 4, NOW),
        ({"value_path": "."}, 4, 4, NOW),
        ({"value_path": "a.b[1].c"}, {"a": {"b": [0, {"c": 4}]}}, 4, NOW),
        ({"value_path": "[-1].v"}, [0, {"v": 4}], 4, NOW),
        ({"value_path": "p", "unit_path": "u"}, {"p": 4, "u": "bar"}, 400, NOW),
        ({"value_path": "p", "unit_path": "u", "unit": "bar"}, {"p": 4}, 400, NOW),
        ({"value_path": "p", "time_path": "t"}, {"p": 4, "t": NOW - 7.5}, 4, NOW - 7.5),
        ({"value_path": "p", "time_path": "t", "time_format": "s"}, {"p": 4, "t": NOW - 7.5}, 4, NOW - 7.5),
        (
            {"value_path": "p", "time_path": "t", "time_format": "ms"},
            {"p": 4, "t": NOW * 1000 - 7500},
            4,
            NOW - 7.5,
        ),
        ({"value_path": "p", "time_path": "t", "time_format": "us"}, {"p": 4, "t": NOW * 1e6}, 4, NOW),
        (
            {"value_path": "p", "time_path": "t", "time_format": "rfc3339"},
            {"p": 4, "t": "2026-01-31T05:59:59Z"},
            4,
            NOW - 1,
        ),
        ({"value_path": "p", "time_path": "t", "time_format": "none"}, {"p": 4, "t": "soon"}, 4, NOW),
        ({"time_format": "none"}, {"value": 4, "time": 3}, 4, NOW),
        ({"time_format": "ms"}, {"value": 4, "time": NOW * 1000}, 4, NOW),
    ],
)
def test_mappings_of_single_samples(mapping, payload, kpa, time):
    reading = one(payload, "gw/b/x", [entry(**mapping)])
    assert (reading.value, reading.time) == (pytest.approx(kpa), pytest.approx(time, abs=1e-5))


@pytest.mark.parametrize(
    ("mapping", "payload"),
    [
        (
            {"samples_path": "d", "value_path": "v", "time_path": "t"},
            {"d": [{"t": NOW - 1, "v": 1}, {"t": NOW, "v": 2}]},
        ),
        ({"samples_path": "d", "value_path": "[1]", "time_path": "[0]"}, {"d": [[NOW - 1, 1], [NOW, 2]]}),
        ({"samples_path": ".", "value_path": "[1]", "time_path": "[0]"}, [[NOW - 1, 1], [NOW, 2]]),
        ({"value_path": "v", "time_path": "t"}, [{"t": NOW - 1, "v": 1}, {"t": NOW, "v": 2}]),
    ],
)
def test_mappings_of_arrays(mapping, payload):
    readings, refused = decode(payload, "gw/b/x", [entry(**mapping)])
    assert refused == []
    assert [(reading.time, reading.value) for reading in readings] == [(NOW - 1, 1), (NOW, 2)]


@pytest.mark.parametrize(
    ("mapping", "payload", "words"),
    [
        ({"value_path": "p"}, {"q": 4}, "nothing at 'p'; read: {'q': 4}"),
        ({"value_path": "a[2]"}, {"a": [1]}, "nothing at 'a[2]'"),
        ({"value_path": "a.b"}, {"a": 3}, "nothing at 'a.b'"),
        ({"value_path": "p", "time_path": "t"}, {"p": 4}, "time unknown: nothing at 't'"),
        ({"value_path": "p", "time_path": "t"}, {"p": 4, "t": {}}, "time {} is no number"),
        (
            {"value_path": "p", "time_path": "t", "time_format": "rfc3339"},
            {"p": 4, "t": 3},
            "time 3 is no RFC 3339 text",
        ),
        ({"value_path": "p", "time_path": "t", "time_format": "ms"}, {"p": 4, "t": "3"}, "time '3' is text"),
        ({"samples_path": "d", "value_path": "v"}, {"d": 3}, "no array of samples at 'd'; read: 3"),
        ({"samples_path": "d", "value_path": "v"}, {"d": []}, "an empty array"),
        ({"samples_path": "d", "value_path": "v"}, {"e": []}, "nothing at 'd'"),
        ({"samples_path": "d", "value_path": "v"}, {"d": [{}]}, "nothing at 'v' in this sample"),
    ],
)
def test_a_mapping_that_finds_nothing_says_so(mapping, payload, words):
    assert words in reason(payload, "gw/b/x", [entry(**mapping)])


def scaled(signal, raw):
    scale = {"input": raw, "low": "0 psi", "high": "150 psi"}
    return [entry(scale=scale)], json.dumps(signal)


@pytest.mark.parametrize(
    ("raw", "signal", "psi"),
    [
        ("4-20 mA", 4, 0),
        ("4-20 mA", 12, 75),
        ("4-20 mA", 20, 150),
        ("4-20 mA", 3.8, -1.875),
        ("4-20 mA", 20.5, 154.6875),
        ("0.5-4.5 V", 0.5, 0),
        ("0.5-4.5 V", 2.5, 75),
        ("0.5 to 4.5 V", 4.5, 150),
        ("500-4500 mV", 2500, 75),
        ("0-4095 counts", 4095, 150),
    ],
)
def test_raw_signals_are_scaled_to_the_range_of_the_transducer(raw, signal, psi):
    """12 mA is the middle of 4-20 mA, 2.5 V that of 0.5-4.5 V; NAMUR NE 43 measures from 3.8 to 20.5 mA."""
    topics, payload = scaled(signal, raw)
    assert one(payload, "gw/b/x", topics).value == pytest.approx(psi * PSI, abs=1e-9)


@pytest.mark.parametrize(
    ("raw", "signal", "words"),
    [
        ("4-20 mA", 0, "wire break"),
        ("4-20 mA", 3.6, "wire break"),
        ("4-20 mA", 3.7, "NAMUR NE 43"),
        ("4-20 mA", 20.6, "NAMUR NE 43"),
        ("4-20 mA", 21, "short circuit"),
        ("4-20 mA", 24, "short circuit"),
        ("0.5-4.5 V", 0, "wire break"),
        ("0.5-4.5 V", 5, "short circuit"),
        ("0.5-4.5 V", "2.5", "is text"),
    ],
)
def test_signals_of_broken_wires_are_refused(raw, signal, words):
    """NAMUR NE 43: 3.6 mA or less and 21 mA or more announce a fault."""
    topics, payload = scaled(signal, raw)
    assert words in reason(payload, "gw/b/x", topics)


def test_scaled_temperatures():
    topics = [entry(point="temperature", scale={"input": "4-20 mA", "low": "32 degF", "high": "212 degF"})]
    assert one("12", "gw/b/x", topics).value == pytest.approx(50.0)


def test_own_words_of_heater_states():
    topics = [entry(point="heater", value_path="s", on=["FIRING", "2"], off=["Idle", "lockout"])]
    for raw, value in [("firing", 1), ("IDLE", 0), ("Lockout", 0), (2, 1), ("on", 1), (False, 0), (3, 3)]:
        assert one({"s": raw}, "gw/b/x", topics).value == value
    known = "known: FIRING, 2, Idle, lockout, on, true, off, false; more of them in on = [...]"
    assert f"heater 'purge' is text and no known word; {known}" in reason({"s": "purge"}, "gw/b/x", topics)
    assert "no known word; known: on, true, off, false; more" in reason("purge", "cushionwatch/b/heater")


@pytest.mark.parametrize(
    ("time_format", "time", "words"),
    [
        ("ms", NOW, 'before September 2001: if it counts seconds, set time_format = "s"'),
        ("ms", int(NOW * 1e6), "more than 5 min ahead: check the clock of the device; if it counts micro"),
        ("us", NOW * 1e3, 'before September 2001: if it counts milliseconds, set time_format = "ms"'),
        ("auto", NOW * 1e3, 'if it counts milliseconds, set time_format = "ms"'),
        ("s", NOW * 1e6, 'if it counts microseconds, set time_format = "us"'),
        ("ms", 12, "before September 2001: the clock of the device is not set"),
    ],
)
def test_a_time_in_another_format_is_told_which_one(time_format, time, words):
    topics = [entry(value_path="p", time_path="t", time_format=time_format)]
    assert words in reason({"p": 4, "t": time}, "gw/b/x", topics)


def test_a_time_that_no_format_makes_true_is_given_none():
    for time in (NOW + 301, 1e30, 10**400):
        assert "time_format" not in reason(json.dumps({"value": 1, "time": time}))


def test_several_points_come_from_one_payload_and_may_come_apart():
    topics = [
        entry(value_path="p", time_path="t"),
        entry(point="heater", value_path="h", time_path="t"),
        entry(point="temperature", value_path="c.out", time_path="t"),
    ]
    readings, refused = decode({"t": NOW, "p": 400, "h": "on", "c": {"out": 54}}, "gw/b/x", topics)
    assert [(reading.point, reading.value) for reading in readings] == [
        (Point.PRESSURE, 400),
        (Point.HEATER, 1),
        (Point.TEMPERATURE, 54),
    ]
    assert refused == []
    assert one({"t": NOW, "h": 0}, "gw/b/x", topics) == Reading("b", Point.HEATER, NOW, 0)
    readings, refused = decode({"t": NOW, "p": -500, "h": 0}, "gw/b/x", topics)
    assert [reading.point for reading in readings] == [Point.HEATER]
    assert "kPa gauge" in refused[0].reason
    assert "nothing at 'c.out', 'h', 'p'" in reason({"t": NOW}, "gw/b/x", topics)


def test_the_first_topic_that_matches_decides():
    topics = [
        {"topic": "t/b/pressure", "site": "b", "point": "pressure", "unit": "bar"},
        {"topic": "t/{site}/{point}"},
    ]
    assert one("1", "t/b/pressure", topics).value == 100
    assert one("1", "t/a/pressure", topics).value == pytest.approx(PSI)
    assert Decoder(SITES, [TopicTable(**item) for item in topics]).filters == ("t/b/pressure", "t/+/+")


@pytest.mark.parametrize(
    ("topic", "filter_", "match", "other"),
    [
        ("plant/unit-{site}/{point}", "plant/+/+", "plant/unit-b/pressure", "plant/b/pressure"),
        ("+/{site}/{point}/#", "+/+/+/#", "x/b/pressure/y/z", "x/y/b/pressure"),
        ("+/{site}/{point}/#", "+/+/+/#", "x/b/pressure", "x/b/pressurey"),
        ("{point}@{site}", "+", "pressure@b", "pressure/b"),
        ("a.c/{site}/{point}", "a.c/+/+", "a.c/b/pressure", "abc/b/pressure"),
    ],
)
def test_placeholders_and_wildcards(topic, filter_, match, other):
    decoder = Decoder(SITES, [TopicTable(topic=topic)])
    assert decoder.filters == (filter_,)
    readings, refused = decoder.decode(Message(match, b"1", NOW))
    assert (len(readings), refused) == (1, [])
    readings, refused = decoder.decode(Message(other, b"1", NOW))
    assert (readings, len(refused)) == ([], 1)


def test_all_topics_may_be_taken():
    decoder = Decoder(SITES, [TopicTable(topic="#", site="b", point=Point.PRESSURE)])
    assert decoder.filters == ("#",)
    assert decoder.decode(Message("any/thing", b"1", NOW))[0][0].value == 1


def test_a_flood_of_invented_topics_does_not_grow_the_memory():
    decoder = Decoder(SITES, [TopicTable(topic="{site}/{point}/#")])
    for number in range(25_000):
        decoder._routes.match(f"b/pressure/{number}")
    assert len(decoder._routes._known) <= 20_000


def test_a_fault_of_ours_costs_one_message(monkeypatch):
    monkeypatch.setattr("monitor.ingest.body.parse", lambda *_, **__: 1 / 0)
    assert reason("1") == "not understood: ZeroDivisionError"
