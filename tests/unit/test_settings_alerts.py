"""People and rules in the service file: what is read, what is refused and how it is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.alerting.people import Manner
from monitor.diagnosis.faults import Severity
from monitor.dispatch import dispatch_of
from monitor.service.settings import ProblemsError, check_config, load_service

LEAST = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'
ANNA = '[people.anna]\nurl = "json://token@host"\n'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "a.toml").write_text(
        'id = "mill-3"\ncustomer = "Miller"\naddress = "Mill Lane 3"\n'
    )
    return tmp_path / "service.toml"


def test_a_person_is_read_with_all_wishes(file: Path) -> None:
    file.write_text(
        LEAST
        + '[web]\naddress = "https://water.example.org/cw/"\n'
        + ANNA
        + 'tags = ["north"]\nunits = "US"\n'
        'language = "de"\ntimezone = "Europe/Berlin"\nquiet = "22:00 - 07:30"\ngroup = "5 min"\nmost = 3\n'
        'digest = "weekly"\ndigest_at = "06:15"\ndigest_for = ["low", "medium"]\nheartbeat = "00:00"\n'
        'pictures = false\n[[alerts.rules]]\ntell = ["#north"]\ncustomers = ["Miller"]\nfaults = ["blind"]\n'
        'severities = ["medium"]\nsites = ["mill-3"]\nthen = ["anna"]\n'
    )
    settings = load_service(file)
    assert (settings.sites["mill-3"].customer, settings.sites["mill-3"].address) == ("Miller", "Mill Lane 3")
    dispatch = dispatch_of(settings)
    assert dispatch.base == "https://water.example.org/cw"
    (anna,) = dispatch.book.recipients
    small = frozenset({Severity.LOW, Severity.MEDIUM})
    assert anna.manner == Manner((1320, 450), 300.0, 3, "weekly", 375, small, 0)
    assert (anna.url, anna.tags, anna.pictures) == ("json://token@host", {"north"}, False)
    assert "token" not in repr(dispatch) + repr(settings)
    voice = dispatch.voices["anna"]
    assert (voice.language, voice.units, voice.timezone) == ("de", "US", "Europe/Berlin")
    (rule,) = dispatch.book.rules
    assert (rule.tell, rule.then, rule.customers, rule.faults) == (
        ("#north",),
        ("anna",),
        {"Miller"},
        {"blind"},
    )


def test_what_is_left_out_has_a_default(file: Path) -> None:
    file.write_text(LEAST + ANNA)
    (anna,) = dispatch_of(load_service(file)).book.recipients
    assert anna.manner == Manner()
    assert anna.pictures


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[people.anna]\nquiet = "22:00 - 07:00"', 5, ["people.anna", "url_file"]),
        (ANNA + 'quiet = "22 - 7"', 7, ["people.anna.quiet", "time of day like '08:00'"]),
        (ANNA + 'quiet = "night"', 7, ["people.anna.quiet", "22:00 - 07:00"]),
        (ANNA + 'quiet = "07:00 - 07:00"', 7, ["two different times"]),
        (ANNA + 'heartbeat = "24:00"', 7, ["heartbeat", "00:00 to 23:59"]),
        (ANNA + "digest_at = 8", 7, ["digest_at", "08:00"]),
        (ANNA + 'digest = "dayly"', 7, ["did you mean 'daily'?"]),
        (ANNA + 'digest_for = ["high"]', 7, ["digest_for", "at once"]),
        (ANNA + "most = 0", 7, ["most"]),
        (ANNA + 'group = "2 h"', 7, ["group", "30 min"]),
        (ANNA + 'timezone = "Berlin"', 7, ["timezone"]),
        (ANNA + 'language = "Deutsch"', 7, ["language"]),
        (ANNA + '[[alerts.rules]]\ntell = ["ana"]', 8, ["alerts.rules[0].tell", "did you mean 'anna'?"]),
        (ANNA + '[[alerts.rules]]\ntell = ["#north"]', 8, ["'#north'", "no such person or #tag"]),
        (
            ANNA + '[[alerts.rules]]\ntell = ["anna"]\nthen = ["bos"]',
            9,
            ["alerts.rules[0].then", "known: anna"],
        ),
        (ANNA + '[[alerts.rules]]\ntell = ["anna"]\nsites = ["x"]', 9, ["no such site; known: mill-3"]),
        (ANNA + '[[alerts.rules]]\ntell = ["anna"]\ncustomers = ["Millar"]', 9, ["did you mean 'Miller'?"]),
        (ANNA + '[[alerts.rules]]\ntell = ["anna"]\nfaults = ["blnd"]', 9, ["did you mean 'blind'?"]),
        (ANNA + "[[alerts.rules]]\ntell = []", 8, ["at least one"]),
        (
            ANNA + ANNA.replace("anna", "bert") + '[[alerts.rules]]\ntell = ["anna"]',
            7,
            ["no rule names this person"],
        ),
        (ANNA + '[alerts.channels.anna]\nurl = "json://x"', 5, ["a name of its own"]),
        (ANNA + '[alerts]\ntexts = "nowhere"', 8, ["alerts.texts", "no folder"]),
        ('[web]\naddress = "water.example.org"', 6, ["web.address", "https://water.example.org"]),
        ('[web]\naddress = "https://x/?a=b"', 6, ["web.address"]),
    ],
)
def test_what_does_not_fit_is_named_with_its_line(file: Path, text: str, line: int, words: list[str]) -> None:
    file.write_text(LEAST + text + "\n")
    with pytest.raises(ProblemsError) as caught:
        load_service(file)
    said = str(caught.value)
    assert f"service.toml:{line}:" in said
    assert "token" not in said
    for word in words:
        assert word in said
    assert len(check_config(file)) == 1
