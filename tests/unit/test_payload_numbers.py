"""Numbers in messages: where they may stand, whom they number, and what becomes of wrong ones."""

from __future__ import annotations

import json
from typing import Any

import pytest

from monitor.errors import SettingsError
from monitor.ingest import origins
from monitor.ingest.payload import Decoder
from monitor.readings import Origin, Point, Reading, Rejected, encode_sample, encode_samples
from monitor.service.ports import Message
from monitor.service.settings import TopicTable
from monitor.site import Site

NOW = 1_769_839_200.0
TOPIC = "cushionwatch/b/pressure"
SITES = {"b": Site("b", unit="kPa"), "c": Site("c", unit="kPa")}
MAPPED = {
    "topic": "m",
    "site": "b",
    "point": "pressure",
    "samples_path": "d",
    "value_path": "[1]",
    "time_path": "[0]",
    "device_path": "id",
    "boot_path": "start",
    "sequence_path": "n",
}


def decode(
    content: object,
    topic: str = TOPIC,
    entries: list[dict[str, Any]] | None = None,
    *,
    retained: bool = False,
) -> tuple[list[Reading], list[Rejected]]:
    decoder = Decoder(SITES, [TopicTable(**entry) for entry in entries]) if entries else Decoder(SITES)
    payload = content if isinstance(content, bytes) else json.dumps(content).encode()
    return decoder.decode(Message(topic, payload, NOW, retained))


def sample(**more: object) -> dict[str, object]:
    return {"value": 1.0, "time": NOW, "boot": "x1", "sequence": 7, **more}


def origin(number: int = 7, device: str = "b", boot: str = "x1", topic: str = TOPIC) -> Origin:
    return Origin(device, boot, number, NOW, topic)


def test_a_sample_of_the_default_form_may_carry_its_number() -> None:
    readings, refused = decode(sample())
    assert readings == [Reading("b", Point.PRESSURE, NOW, 1.0, origin())]
    assert refused == []
    assert decode(sample(device="gw-1", boot=12))[0][0].origin == origin(device="gw-1", boot="12")
    assert decode(sample(device=5))[0][0].origin == origin(device="5")


def test_what_our_own_encoder_writes_is_understood() -> None:
    mine = Origin("pump", "a", 3)
    told = Origin("pump", "a", 3, NOW, TOPIC)
    assert decode(encode_sample(NOW, 1.0, "kPa", mine))[0][0].origin == told
    readings, refused = decode(encode_samples([(NOW - 1, 1.0), (NOW, 2.0)], "kPa", mine))
    assert [reading.origin for reading in readings] == [told, told]
    assert refused == []


def test_samples_of_an_array_have_their_own_numbers_or_none() -> None:
    readings, refused = decode([sample(sequence=1), sample(sequence=2, value="?"), {"value": 3, "time": NOW}])
    assert [reading.origin for reading in readings] == [origin(1), None]
    assert [row.origin for row in refused] == [origin(2)]


@pytest.mark.parametrize("sequence", [None, ...])
def test_without_a_sequence_there_is_no_number(sequence: object) -> None:
    said = sample(sequence=sequence)
    if sequence is ...:
        del said["sequence"]
    assert decode(said) == ([Reading("b", Point.PRESSURE, NOW, 1.0)], [])


def test_one_number_beside_the_array_is_shared_by_its_samples() -> None:
    content = {"id": "gw", "start": 4, "n": 9, "d": [[NOW, 1.0], [NOW - 1, 2.0], [NOW - 2, "?"]]}
    readings, refused = decode(content, "m", [MAPPED])
    shared = origin(9, "gw", "4", "m")
    assert [reading.origin for reading in readings] == [shared, shared]
    assert [row.origin for row in refused] == [shared]


def test_a_number_in_the_sample_goes_before_that_of_the_message() -> None:
    entry = {**MAPPED, "value_path": "v", "time_path": "t"}
    content = {"id": "gw", "start": 4, "n": 9, "d": [{"t": NOW, "v": 1, "n": 1}, {"t": NOW, "v": 2}]}
    readings, _ = decode(content, "m", [entry])
    assert [reading.origin for reading in readings] == [origin(1, "gw", "4", "m"), origin(9, "gw", "4", "m")]


def test_several_points_of_one_message_share_its_number() -> None:
    entries = [
        {
            "topic": "g",
            "site": "b",
            "point": point,
            "value_path": path,
            "boot_path": "s",
            "sequence_path": "n",
        }
        for point, path in (("pressure", "p"), ("heater", "h"))
    ]
    readings, refused = decode({"p": 1, "h": True, "s": "x1", "n": 7}, "g", entries)
    assert [reading.origin for reading in readings] == [origin(topic="g")] * 2
    assert refused == []


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"sequence": -1}, "sequence -1: allowed is a whole number from 0 to 2^63 - 1"),
        ({"sequence": 2**63}, "sequence 9223372036854775808"),
        ({"sequence": 10**400}, "sequence 1000"),
        ({"sequence": 1.5}, "sequence 1.5"),
        ({"sequence": "7"}, "sequence '7'"),
        ({"sequence": True}, "sequence True"),
        ({"boot": None}, "sequence without boot"),
        ({"boot": ""}, "boot ''"),
        ({"boot": "x" * 65}, "text of 1 to 64 characters"),
        ({"boot": "a\nb"}, "boot 'a\\nb'"),
        ({"boot": "\ud800"}, "boot"),
        ({"boot": 2**63}, "boot 9223372036854775808"),
        ({"boot": False}, "boot False"),
        ({"device": "a/b"}, "device 'a/b': allowed is a name without / + #"),
        ({"device": "+"}, "without / + #"),
        ({"device": []}, "device []"),
        ({"device": "c"}, "device 'c' is the name of another site"),
    ],
)
def test_a_reading_with_a_wrong_number_is_good_and_the_fault_is_listed(
    wrong: dict[str, object], told: str
) -> None:
    readings, (row,) = decode(sample(**wrong))
    assert readings == [Reading("b", Point.PRESSURE, NOW, 1.0)]
    assert told in row.reason
    assert row.reason.startswith("the number was left aside, the reading goes by its time: ")
    assert row.origin is None


def test_a_wrong_number_is_told_once_for_each_topic(monkeypatch: pytest.MonkeyPatch) -> None:
    decoder = Decoder(SITES)
    bad = json.dumps([sample(sequence=-1), sample(sequence=-2)]).encode()
    told = [len(decoder.decode(Message(TOPIC, bad, NOW))[1]) for _ in range(3)]
    assert told == [1, 0, 0]
    assert len(decoder.decode(Message("cushionwatch/b/temperature", bad, NOW))[1]) == 1
    monkeypatch.setattr(origins, "_TOPICS_TOLD", 2)
    assert len(decoder.decode(Message("cushionwatch/b/heater", bad, NOW))[1]) == 0


@pytest.mark.parametrize(
    ("content", "topic", "retained"),
    [
        (sample(value="?"), TOPIC, False),
        (sample(unit="furlong"), TOPIC, False),
        (sample(time=None), TOPIC, True),
        (sample(), "cushionwatch/unknown/pressure", False),
        ({"boot": "x1", "sequence": 7, "volt": 3}, TOPIC, False),
    ],
)
def test_a_refused_message_keeps_its_number(content: object, topic: str, retained: bool) -> None:
    readings, (row,) = decode(content, topic, retained=retained)
    assert readings == []
    assert row.origin == Origin(topic.split("/")[1], "x1", 7, NOW, topic)


def test_a_refused_message_keeps_the_numbers_of_all_its_samples() -> None:
    array = [sample(sequence=number) for number in range(3)]
    (row,) = decode(array, "cushionwatch/unknown/pressure")[1]
    told = [row.origin, *row.others]
    assert [one.sequence for one in told if one is not None] == [0, 1, 2]


def test_of_many_refused_samples_no_number_is_lost() -> None:
    readings, refused = decode([sample(sequence=number, value="?") for number in range(200)])
    assert readings == []
    assert len(refused) == 51
    told = [one for row in refused for one in (row.origin, *row.others) if one is not None]
    assert [one.sequence for one in told] == list(range(200))


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"sequence_path": "n", "boot_path": "b"}, "sequence_path needs value_path"),
        ({"value_path": "v", "sequence_path": "n"}, "sequence_path needs boot_path"),
        ({"value_path": "v", "boot_path": "n"}, "boot_path needs sequence_path"),
        ({"value_path": "v", "device_path": "n"}, "device_path needs sequence_path"),
    ],
)
def test_paths_of_numbers_go_together(entry: dict[str, str], told: str) -> None:
    with pytest.raises((SettingsError, ValueError), match=told):
        TopicTable(topic="t", site="b", point="pressure", **entry)  # type: ignore[arg-type]
