"""What those who watch the service read: threads that stand still, and the exposition of its state."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as plain

from monitor.diagnosis.faults import Fault
from monitor.diagnosis.report import Verdict
from monitor.service.ports import NumberingCounts, SourceHealth
from monitor.service.progress import Progress
from monitor.service.vitals import BrokerLimits, Kept, Vitals, bytes_of
from monitor.web.metrics import Exposition

ROOT = Path(__file__).parents[2]
OPENMETRICS = "application/openmetrics-text; version=1.0.0"
WELL = Vitals(
    version='1.2"3\n',
    parts={"worker": True, "page": True},
    stalled=(),
    problems=(),
    source=SourceHealth(True, True, 1_770_000_000.25, "connected"),
    stored=41,
    sites={Verdict.HOLDING: 3, Verdict.FAULT: 1},
    kept=Kept(7, 2, 1_769_999_000.0, 1, {"air_charge_low": 1}, NumberingCounts(4, 1, 3, 2, 1, 9)),
    store_bytes=8192,
    broker=BrokerLimits(1000, 3000, 12, ("this broker drops",)),
)


def read(vitals: Vitals, accept: str = "") -> dict[str, float]:
    """Return each sample as the library's own parser reads it back."""
    body, kind = Exposition(lambda: vitals).answer(accept)
    parse = openmetrics if "openmetrics" in kind else plain
    return {
        sample.name + "".join(f"{{{value}}}" for value in sample.labels.values()): sample.value
        for family in parse(body.decode())
        for sample in family.samples
    }


@pytest.mark.parametrize("accept", ["", OPENMETRICS])
def test_the_state_comes_back_through_the_parser(accept: str) -> None:
    found = read(WELL, accept)
    assert found['cushionwatch_build_info{1.2"3\n}'] == 1
    assert found["cushionwatch_ready"] == 1
    assert found["cushionwatch_part_running{worker}"] == 1
    assert found["cushionwatch_last_message_timestamp_seconds"] == 1_770_000_000.25
    assert found["cushionwatch_readings_stored_total"] == 41
    assert found["cushionwatch_readings_rejected_total"] == 7
    assert found["cushionwatch_alerts_owed"] == 2
    assert found["cushionwatch_alerts_oldest_owed_timestamp_seconds"] == 1_769_999_000.0
    assert found["cushionwatch_alerts_dead"] == 1
    assert found["cushionwatch_sites{holding}"] == 3
    assert found["cushionwatch_sites{blind}"] == 0
    assert found["cushionwatch_events_active{air_charge_low}"] == 1
    assert found["cushionwatch_devices_numbering"] == 4
    assert found["cushionwatch_messages_missing"] == 3
    assert found["cushionwatch_messages_lost_total"] == 2
    assert found["cushionwatch_broker_dropped_messages_total"] == 12
    assert found["cushionwatch_broker_drops_waiting"] == 1
    assert found["process_resident_memory_bytes"] > 0


def test_what_is_not_known_is_left_out_and_not_told_as_zero() -> None:
    blank = replace(
        WELL, kept=None, source=SourceHealth(False, False, None, ""), broker=BrokerLimits(), problems=("x",)
    )
    found = read(blank)
    assert found["cushionwatch_store_readable"] == found["cushionwatch_ready"] == 0
    absent = ("alerts", "rejected", "events", "last_message", "broker_dropped", "broker_kept", "drops")
    assert not [name for name in found if any(word in name for word in absent)]


def test_a_part_that_stands_still_does_not_count_as_running() -> None:
    found = read(replace(WELL, stalled=("page",)))
    assert (found["cushionwatch_part_running{page}"], found["cushionwatch_part_running{worker}"]) == (0, 1)


def test_names_follow_the_rules_and_labels_do_not_grow_with_sites() -> None:
    """Base units; only counters end with _total; every label has a known set of values."""
    body = Exposition(lambda: WELL).answer("")[0].decode()
    families = [one for one in plain(body) if one.name.startswith("cushionwatch_")]
    assert len(families) == len({one.name for one in families}) > 12
    allowed = {
        "part": set(WELL.parts),
        "verdict": {one.value for one in Verdict},
        "fault": {one.value for one in Fault},
        "version": {WELL.version},
    }
    for family in families:
        assert re.fullmatch(r"cushionwatch_[a-z_]+", family.name)
        assert not re.search(r"_(ms|milliseconds|minutes|kb|kilobytes|total_total)$", family.name)
        assert family.documentation.endswith(".")
        for sample in family.samples:
            assert sample.name.endswith("_total") is (family.type == "counter")
            assert all(value in allowed[label] for label, value in sample.labels.items())


def test_the_alert_rules_and_the_developers_page_name_metrics_that_exist() -> None:
    known = {name.split("{")[0] for name in read(WELL) if name.startswith("cushionwatch_")}
    rules = (ROOT / "deploy" / "prometheus-alerts.yml").read_text()
    used = set(re.findall(r"\bcushionwatch_[a-z_]+", rules))
    assert len(used) >= 8
    assert used <= known
    page = (ROOT / "DEVELOPERS.md").read_text()
    assert [name for name in sorted(known) if f"`{name.removeprefix('cushionwatch_')}`" not in page] == []


def test_two_services_in_one_process_have_registries_of_their_own() -> None:
    assert read(WELL)["cushionwatch_readings_stored_total"] == 41
    assert read(replace(WELL, stored=5))["cushionwatch_readings_stored_total"] == 5


def test_a_beat_that_does_not_change_is_a_standstill_and_a_change_ends_it() -> None:
    progress = Progress()
    assert progress.stalled({"worker": 1, "page": 1}, 1000.0, 10.0) == []
    assert progress.stalled({"worker": 1, "page": 2}, 1010.0, 10.0) == []
    assert progress.stalled({"worker": 1, "page": 3}, 1010.1, 10.0) == ["worker"]
    assert progress.stalled({"worker": 2, "page": 3}, 1011.0, 10.0) == []
    assert progress.stalled({"worker": 2}, 1021.1, 10.0) == ["worker"]  # a part that is gone is not asked for


def test_the_size_of_a_store_counts_its_log_and_a_missing_file_nothing(tmp_path: Path) -> None:
    path = tmp_path / "store.db"
    assert bytes_of(path) == 0
    path.write_bytes(bytes(100))
    (tmp_path / "store.db-wal").write_bytes(bytes(20))
    assert bytes_of(path) == 120
