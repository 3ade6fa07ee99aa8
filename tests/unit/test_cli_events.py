"""``cushionwatch events`` and ``performance``: lists, acts, the audit trail, and one message for a mistake."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest

from monitor.cli.main import main
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.service.clock import SystemClock
from monitor.store.sqlite import SqliteStore

SERVICE = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'
HOUR, DAY = 3600.0, 86400.0
WHO = ("--who", "Ada B.")
WHY = ("--why", "tank on Friday")
NOW = SystemClock().now() // 60 * 60


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


Cli = Callable[..., Outcome]


@pytest.fixture
def cli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Cli:
    (tmp_path / "sites").mkdir()
    for site in ("home", "mill", "shed"):
        (tmp_path / "sites" / f"{site}.toml").write_text(f'id = "{site}"\nunit = "psi"\n')
    (tmp_path / "service.toml").write_text(SERVICE)
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", str(tmp_path / "service.toml"))

    def run(*arguments: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["cushionwatch", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        found = capsys.readouterr()
        assert "Traceback" not in found.err
        return Outcome(end.value.code if isinstance(end.value.code, int) else 0, found.out, found.err)

    return run


def finding(fault: Fault, severity: Severity = Severity.MEDIUM, raised: float = NOW - HOUR) -> Finding:
    return Finding(fault, raised, raised, severity, 0.99, "seen", "do", "mind", {})


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    (tmp_path / "var").mkdir()
    one = SqliteStore(tmp_path / "var" / "cushionwatch.db")
    one.raise_event("mill", finding(Fault.AIR_CUSHION_LOST, Severity.HIGH), {})
    one.raise_event("mill", finding(Fault.TANK_UNDERSIZED), {})
    one.raise_event("home", finding(Fault.BLIND), {})
    over = finding(Fault.REGULATOR_CREEP, raised=NOW - 2 * DAY)
    one.raise_event("home", over, {})
    one.end_event("home", replace(over, ended=NOW - DAY), {})
    one.acknowledge_event(4, "Ada", NOW)
    return one


def test_events_are_listed_with_their_states_and_first_causes(cli: Cli, store: SqliteStore) -> None:
    code, out, err = cli("events")
    assert (code, err) == (0, "")
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert lines[0] == "event site priority state raised what"
    assert lines[1].startswith("3 home medium active_unacknowledged 20")
    assert lines[2].startswith("2 mill medium active_unacknowledged, suppressed_by_design")
    assert lines[3].endswith("expansion tank has lost its air cushion")
    assert lines[5:] == [
        "2: Event 1 is its first cause: this one is told if it still stands when that is over.",
        "1: First cause of event 2 (expansion tank is too small).",
        "3 stand, 1 of them quiet; 0 out of service",
    ]
    assert [line.split()[0] for line in cli("events", "--all").out.splitlines()[1:5]] == ["4", "3", "2", "1"]
    assert "mill" not in cli("events", "--site", "home").out
    short = cli("events", "--limit", "1")
    assert (short.code, short.err) == (0, "2 more wait for a person and are not listed: raise --limit\n")


def test_the_json_form_is_stable(cli: Cli, store: SqliteStore) -> None:
    cli("events", "shelve", 1, "--for", "8 h", *WHO, *WHY)
    cli("events", "out", "home", "--point", "heater", *WHO, *WHY)
    found = json.loads(cli("events", "--json").out)
    assert set(found) == {"events", "out_of_service", "groups"}
    _, second, first = found["events"]
    assert set(first) == {
        "number", "site", "fault", "severity", "urgent", "state", "quiet", "began", "raised", "ended", "shelf",
        "explained_by", "explains", "raises", "chattering",
    }  # fmt: skip
    assert (first["quiet"], first["shelf"]["who"], first["explains"]) == ("shelved", "Ada B.", [2])
    assert (second["quiet"], second["explained_by"], second["shelf"]) == ("suppressed_by_design", 1, None)
    (out,) = found["out_of_service"]
    assert (out["site"], out["point"], out["why"], out["remind"]) == (
        "home",
        "heater",
        "tank on Friday",
        False,
    )


def test_many_sites_at_once_stand_above_the_list(cli: Cli, store: SqliteStore) -> None:
    for number, site in enumerate(("mill", "shed")):
        store.raise_event(site, finding(Fault.BLIND, raised=NOW - HOUR + 60 * number), {})
    first = cli("events").out.splitlines()[0]
    assert first.startswith("3 sites at once, 20")
    assert first.endswith("site is not watched at present (events 3, 5, 6)")
    (group,) = json.loads(cli("events", "--json").out)["groups"]
    assert (group["fault"], group["sites"]) == ("blind", ["home", "mill", "shed"])


def test_a_person_acknowledges_shelves_and_unshelves(cli: Cli, store: SqliteStore) -> None:
    assert cli("events", "acknowledge", 3, *WHO).out == (
        "event 3, home: site is not watched at present: active_acknowledged.\n"
    )
    out = cli("events", "shelve", 3, "--for", "3 days", *WHO, *WHY).out
    assert "active_acknowledged. Shelved until " in out
    assert out.endswith("by Ada B.: tank on Friday.\n")
    event = store.event(3)
    assert event is not None
    assert event.shelf is not None
    assert event.shelf.until - event.shelf.since == pytest.approx(3 * DAY)
    assert cli("events", "unshelve", 3, *WHO, *WHY).code == 0
    until = "2000-01-01T00:00:00Z"
    assert "must lie ahead" in cli("events", "shelve", 3, "--until", until, *WHO, *WHY).err
    assert [line.who for line in store.event_changes(3)] == ["service", "Ada B.", "Ada B.", "Ada B."]


def test_a_shelf_ends_when_somebody_looks(
    cli: Cli, store: SqliteStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    cli("events", "shelve", 3, "--for", "1 h", *WHO, *WHY)
    now = SystemClock().now()
    monkeypatch.setattr(SystemClock, "now", lambda _: now + 2 * HOUR)
    assert "Shelved" not in cli("events").out
    assert [line.act for line in store.event_changes(3)][-1] == "shelf_ended"


def test_a_site_goes_out_of_service_and_comes_back(cli: Cli, store: SqliteStore) -> None:
    assert cli("events", "out", "mill", *WHO, *WHY, "--urgent-too").out == (
        "mill is out of service until you put it back: cushionwatch events back mill\n"
    )
    listed = cli("events").out
    assert listed.startswith("mill: Out of service since ")
    assert "Urgent events are not told either until" in listed
    assert "3 stand, 2 of them quiet; 1 out of service" in listed
    assert cli("events", "back", "mill", *WHO, *WHY).out == "mill is back in service\n"
    assert cli("events", "out", "mill", "--point", "pressure", *WHO, *WHY).out == (
        "pressure of mill is out of service until you put it back: cushionwatch events back mill --point pressure\n"
    )
    assert cli("events", "back", "mill", "--point", "pressure", *WHO, *WHY).out == (
        "pressure of mill is back in service\n"
    )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("acknowledge", 99, *WHO), "there is no event 99; `cushionwatch events --all` lists"),
        (("acknowledge", 3, "--who", " "), "--who is missing: every change is kept with who made it and why"),
        (("shelve", 3, *WHO, *WHY), 'say how long: either --for "3 days" or --until'),
        (("shelve", 3, "--for", "1 h", "--until", "2030-01-01T00:00:00Z", *WHO, *WHY), "say how long"),
        (("shelve", 3, "--for", "soon", *WHO, *WHY), "'soon' is no length of time; write it like '90 min'"),
        (("shelve", 3, "--until", "2030-01-01T00:00", *WHO, *WHY), "has no offset"),
        (("shelve", 3, "--until", "Friday", *WHO, *WHY), "is no time; write it like"),
        (
            ("shelve", 3, "--for", "8 days", *WHO, *WHY),
            "can be shelved for 7 days at a time at most, not for 8 days",
        ),
        (("shelve", 4, "--for", "1 h", *WHO, *WHY), "event 4 is over"),
        (("unshelve", 3, *WHO, *WHY), "event 3 is not shelved"),
        (("out", "nowhere", *WHO, *WHY), "site 'nowhere' is not known; known in"),
        (("back", "mill", *WHO, *WHY), "site 'mill' is not out of service; nothing is"),
        (
            ("--site", "mill", "acknowledge", 3, *WHO),
            "options stand behind the command: cushionwatch events acknowledge",
        ),
        (("--site", "nowhere"), "site 'nowhere' is not known"),
        (("--csv",), "--csv is a form of the audit trail"),
        (("--audit", "--csv", "--json"), "--csv is a form of the audit trail"),
    ],
)
def test_a_mistake_is_one_message_and_changes_nothing(
    cli: Cli, store: SqliteStore, arguments: tuple[object, ...], words: str
) -> None:
    before = store.audit(0.0)
    code, out, err = cli("events", *arguments)
    assert (code, out) == (2, "")
    assert words in err
    assert err.startswith("cushionwatch: ")
    assert store.audit(0.0) == before


def test_the_audit_trail_is_exported_and_no_cell_is_a_formula(cli: Cli, store: SqliteStore) -> None:
    cli("events", "shelve", 3, "--for", "1 h", "--who", "=HYPERLINK(1)", "--why", '@a, "b"')
    rows = list(csv.reader(io.StringIO(cli("events", "--audit", "--csv").out)))
    assert rows[0] == ["time", "site", "event", "fault", "act", "before", "after", "who", "why"]
    assert rows[-1][1:] == [
        "home", "3", "blind", "shelved", "active_unacknowledged", "active_unacknowledged",
        "'=HYPERLINK(1)", "'@a, \"b\"",
    ]  # fmt: skip
    found = json.loads(cli("events", "--audit", "--json").out)
    assert (found[-1]["who"], found[-1]["event"]) == ("=HYPERLINK(1)", 3)
    text = cli("events", "--audit", "--site", "mill").out.splitlines()
    assert text[0].split() == rows[0]
    assert text[-1] == "3 lines"
    assert cli("events", "--audit", "--days", "0.02", "--json").out.count('"act"') == 2


def test_the_table_of_delays_needs_no_settings(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CUSHIONWATCH_CONFIG", "none.toml")
    out = cli("events", "--table").out
    assert "air_charge_low: expansion tank is low on air\n  Raised     3 windows in a row\n" in out
    assert set(json.loads(cli("events", "--table", "--json").out)) == {fault.value for fault in Fault}


def test_performance_stands_beside_its_targets(cli: Cli, store: SqliteStore) -> None:
    code, out, _ = cli("performance", "--days", 7)
    assert code == 0
    lines = {line.split("  ")[0]: " ".join(line.split()) for line in out.splitlines()}
    assert lines["told per site and week"].startswith("told per site and week 1 none")
    assert lines["told per person and day"].startswith("told per person and day 0.43 about 144, at most 288")
    assert lines["standing now"].startswith("standing now 3, 1 of them quiet")
    assert lines["high priority"].startswith("high priority 1 (33 %) about 5 %")
    assert lines["7 days, 3 sites, 1 person; 4 raised, 3 told"]
    found = json.loads(cli("performance", "--days", 7, "--people", 3, "--json").out)
    assert (found["raised"], found["told"], found["told_per_person_day"]) == (4, 3, round(1 / 7, 4))
    assert found["targets"]["stale"]["target"] == "below 5"
