"""The service file: defaults, paths, secrets, and that every problem in every file is told at once."""

import re
from pathlib import Path

import pytest

from monitor.diagnosis.faults import Severity
from monitor.errors import SettingsError
from monitor.readings import Point
from monitor.service.settings import ProblemsError, StoreTable, TopicTable, check_config, load_service

ROOT = Path(__file__).parents[2]
LEAST = 'data = "var"\nsites = "sites"\n[broker]\nhost = "localhost"\n'


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "a.toml").write_text('id = "a"\n')
    (tmp_path / "secret").write_text("s3cret\n")
    return tmp_path


def write(folder: Path, text: str) -> Path:
    path = folder / "service.toml"
    path.write_text(text)
    return path


def problems(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    return [str(problem).removeprefix(f"{path}:").strip() for problem in check_config(path)]


def test_the_commented_example_can_be_used():
    path = ROOT / "config" / "cushionwatch.toml"
    assert check_config(path) == []
    assert list(load_service(path).sites) == ["riverside-12"]


def test_what_is_switched_off_in_the_example_can_be_switched_on(tmp_path):
    """Every commented key is a valid one, so that nobody is misled by the example."""
    text = (ROOT / "config" / "cushionwatch.toml").read_text()
    settings = [line[2:] for line in text.splitlines() if line.startswith("# ") and _is_toml(line[2:])]
    on = [line for line in text.splitlines() if not line.startswith("#")]
    assert len(settings) > 29
    for name in ("mqtt-password", "ca.pem", "client.pem", "client.key", "copy-token", "tickets-key"):
        (tmp_path / "secrets").mkdir(exist_ok=True)
        (tmp_path / "secrets" / name).write_text("x")
    (tmp_path / "secrets" / "tickets-key").chmod(0o600)
    for name in ("anna-url", "boss-url", "hook-url"):
        (tmp_path / "secrets" / name).write_text("json://127.0.0.1/")
    (tmp_path / "texts").mkdir()
    (tmp_path / "sites").mkdir()
    site = (ROOT / "config" / "sites" / "riverside-12.toml").read_text()
    (tmp_path / "sites" / "r.toml").write_text(site.replace("# customer", "customer"))
    # tables go last, in TOML and here; keys before the first table of the example stand in [broker]
    broker = [
        line for line in settings if line.startswith(("username", "password", "keep", "session", "check"))
    ]
    web = [line for line in settings if line.startswith("address")]
    rest = [line for line in settings if line not in {*broker, *web}]
    lines = []
    for line in on:
        lines += [line, *{"[broker]": broker, "[web]": web}.get(line, ())]
    path = write(tmp_path, "\n".join([*lines, *rest]))
    assert check_config(path) == []
    loaded = load_service(path)
    assert loaded.broker.password() == "x"
    assert len(loaded.topics) == 4
    assert loaded.store == StoreTable(readings="730 d", minutes="1825 d", hours="0 d")
    assert loaded.store.readings == 730 * 86400.0
    assert loaded.channels["hook"].severities == (Severity.HIGH, Severity.MEDIUM)


def _is_toml(line: str) -> bool:
    return line.startswith("[") or re.match(r"\w+ = ", line) is not None


def test_the_least_file_has_sound_defaults(folder):
    settings = load_service(write(folder, LEAST))
    assert settings.data == folder / "var"
    assert settings.sites_folder == folder / "sites"
    assert list(settings.sites) == ["a"]
    assert (settings.broker.port_number, settings.broker.uses_tls, settings.broker.protocol) == (
        1883,
        False,
        "5",
    )
    assert settings.broker.password() is None
    assert settings.topics == (TopicTable(topic="cushionwatch/{site}/{point}"),)
    assert (settings.web.enabled, settings.web.host, settings.web.port) == (True, "127.0.0.1", 8080)
    assert dict(settings.channels) == {}
    assert (settings.store.readings, settings.store.minutes, settings.store.hours) == (0.0, 0.0, 0.0)
    assert settings.store.ballast_mb == 16


@pytest.mark.parametrize(
    ("lines", "port", "tls"),
    [
        ("", 1883, False),
        ("port = 1884", 1884, False),
        ("port = 8883", 8883, True),
        ("[broker.tls]", 8883, True),
        ("port = 9000\n[broker.tls]", 9000, True),
    ],
)
def test_tls_follows_from_the_table_or_the_port(folder, lines, port, tls):
    broker = load_service(write(folder, LEAST + lines)).broker
    assert (broker.port_number, broker.uses_tls) == (port, tls)


def test_secrets_are_read_from_files_and_never_shown(folder):
    text = (
        LEAST + 'username = "u"\npassword_file = "secret"\n[alerts.channels.x]\nurl = "json://token@host"\n'
    )
    settings = load_service(write(folder, text))
    assert settings.broker.password() == "s3cret"
    assert settings.channels["x"].secret_url() == "json://token@host"
    assert "s3cret" not in repr(settings)
    assert "token" not in repr(settings)
    (folder / "secret").write_text("other")
    assert settings.broker.password() == "other"
    (folder / "secret").unlink()
    with pytest.raises(SettingsError, match="cannot be read"):
        settings.broker.password()


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        ("port = 70000", 5, ["broker.port", "read 70000", "65535"]),
        ('port = "1883"', 5, ["broker.port", "read '1883'; allowed: a whole number without quotes"]),
        ("port = true", 5, ["broker.port", "read true; allowed: a whole number without quotes"]),
        ('protocol = "4"', 5, ["broker.protocol", "'5' or '3.1.1'"]),
        ('client_id = "a/b"', 5, ["broker.client_id", "letters"]),
        ('keep_alive = "1 s"', 5, ["broker.keep_alive", "5 s to 1 h"]),
        ("keep_alive = 60", 5, ["broker.keep_alive", "number and a unit"]),
        ('password_file = "secret"', 5, ["broker.password_file", "needs username"]),
        (
            'username = "u"\npassword_file = "none"',
            6,
            ["broker.password_file", "none cannot be read: No such file"],
        ),
        ('username = "u"\npassword_file = "sites"', 6, ["broker.password_file", "is a folder"]),
        ('password = "s3cret"', 5, ["broker.password", "not known", "did you mean 'password_file'?"]),
        ("tls = true", 5, ["broker.tls", "a table"]),
        ("[broker.tls]\ninsecure = true", 6, ["broker.tls.insecure", "not known"]),
        ('[broker.tls]\nca = "none.pem"', 6, ["broker.tls.ca", "none.pem cannot be read"]),
        ('[broker.tls]\nkey = "secret"', 5, ["broker.tls", "certificate is missing"]),
        (
            '[store]\nreadings = "7 d"',
            6,
            ["store.readings", "read '7 d'", "0 d, which keeps for ever, or 30 d"],
        ),
        ('[store]\nreadings = "2 years"', 6, ["store.readings", "s, min, h, d"]),
        ('[store]\nminutes = "90 d"', 6, ["store.minutes", "at least as long as readings"]),
        ('[store]\nreadings = "90 d"\nhours = "60 d"', 7, ["store.hours", "at least as long as minutes"]),
        ("[store]\nballast_mb = -1", 6, ["store.ballast_mb", "read -1"]),
        ("[web]\nenabled = 1", 6, ["web.enabled", "read 1; allowed: true or false, without quotes"]),
        ('[web]\nenabled = "yes"', 6, ["read 'yes'; allowed: true or false, without quotes"]),
        ("[web]\nport = 0", 6, ["web.port", "read 0"]),
        ("[wbe]\nport = 1", 5, ["wbe", "did you mean 'web'?"]),
        ("[alerts.channels.x]", 5, ["alerts.channels.x", "url_file"]),
        ('[alerts.channels.x]\nurl = "a b"', 6, ["alerts.channels.x.url", "notification URL"]),
        ('[alerts.channels.x]\nurl_file = "secret"', 6, ["alerts.channels.x.url_file", "notification URL"]),
        ('[alerts.channels.x]\nurl = "json://a"\nseverities = []', 7, ["severities", "at least one"]),
        ('[alerts.channels.x]\nurl = "json://a"\nseverities = ["hihg"]', 7, ["did you mean 'high'?"]),
        ('[alerts.chanels.x]\nurl = "json://a"', 5, ["alerts.chanels", "did you mean 'channels'?"]),
    ],
)
def test_a_wrong_value_is_named_with_its_line_and_a_way_out(folder, lines, line, words):
    found = problems(folder, LEAST + lines)
    assert len(found) == 1
    assert found[0].startswith(f"{line}: ")
    assert [word for word in words if word not in found[0]] == []
    assert "s3cret" not in found[0]


TOPIC = '[[topics]]\ntopic = "t/{site}/{point}"\n[[topics]]\ntopic = '


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        ('""', 8, ["topics[1].topic", "1 to 65535 bytes"]),
        ('"a/#/b"', 8, ["'#' alone as the last level"]),
        ('"a/b#"', 8, ["'#' alone as the last level"]),
        ('"a+/{site}"', 8, ["'+' alone in its level"]),
        ('"$share/g/{site}/{point}"', 8, ["not shared"]),
        ('"{site}/{site}/{point}"', 8, ["{site} and {point}, each once"]),
        ('"{site}/{what}"', 8, ["{site} and {point}, each once"]),
        ('"a/b"\nsite = "a"', 7, ["topics[1]", "placeholder {point} in topic or the key point"]),
        ('"{site}/{point}"\nsite = "a"', 7, ["placeholder {site} in topic or the key site, not both"]),
        ('"a"\nsite = "b"\npoint = "heater"', 9, ["topics[1].site", "'b'", "no such site; known: a"]),
        ('"a"\nsite = "a"\npoint = "presure"', 10, ["topics[1].point", "did you mean 'pressure'?"]),
        ('"{site}/{point}"\nunit = "bar"', 9, ["topics[1].unit", "unit needs a fixed point"]),
        (
            '"{site}"\npoint = "pressure"\nunit = "atm"',
            10,
            ["topics[1].unit", "allowed for pressure: psi, bar"],
        ),
        ('"{site}"\npoint = "heater"\nunit = "psi"', 10, ["topics[1].unit", "allowed for heater: W, kW"]),
        ('"{site}"\npoint = "pressure"\non = ["x"]', 10, ["topics[1].on", "for point = 'heater'"]),
        ('"{site}"\npoint = "heater"\non = []', 10, ["topics[1].on", "at least one"]),
        ('"{site}/{point}"\ntime_path = "t"', 9, ["topics[1].time_path", "needs value_path"]),
        ('"{site}/{point}"\nvalue_path = "a..b"', 9, ["topics[1].value_path", "state.sensors[0].value"]),
        ('"{site}/{point}"\nvalue_path = "a[x]"', 9, ["topics[1].value_path", "state.sensors[0].value"]),
        (
            '"{site}/{point}"\nvalue_path = "v"\ntime_format = "iso"',
            10,
            ["topics[1].time_format", "'rfc3339'"],
        ),
    ],
)
def test_a_wrong_topic_is_named_with_its_line_and_a_way_out(folder, lines, line, words):
    found = problems(folder, LEAST + TOPIC + lines)
    assert len(found) == 1
    assert found[0].startswith(f"{line}: ")
    assert [word for word in words if word not in found[0]] == []


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        ('input = "4-20"', "is no signal range"),
        ('input = "20-4 mA"', "lower first"),
        ('input = "4-20 mA", low = "150 psi", high = "0 psi"', "scale.low must be below scale.high"),
        ('input = "4-20 mA", low = "0"', "number and a unit"),
        ('input = "4-20 mA", high = "150 m"', "'m' in '150 m' is not known for a pressure"),
        ('input = "4-20 mA", lo = "0 bar"', "did you mean 'low'?"),
    ],
)
def test_a_wrong_scale_is_told(folder, scale, words):
    defaults = {"low": "0 psi", "high": "150 psi"}
    rest = "".join(f', {key} = "{value}"' for key, value in defaults.items() if f"{key} =" not in scale)
    found = problems(
        folder, f'{LEAST}[[topics]]\ntopic = "{{site}}"\npoint = "pressure"\nscale = {{{scale}{rest}}}'
    )
    assert len(found) == 1
    assert found[0].startswith("8: topics[0].scale")
    assert words in found[0]


def test_a_full_mapping_is_read(folder):
    text = LEAST + (
        '[[topics]]\ntopic = "x/+/{site}/#"\npoint = "temperature"\nvalue_path = "a[0].b"\nunit = "degF"\n'
        'time_path = "[-1]"\ntime_format = "ms"\nsamples_path = "."\n'
        'scale = { input = "0.5 to 4.5 V", low = "0 degC", high = "100 degC" }\n'
    )
    assert problems(folder, text) == [
        "13: topics[0].scale: scale is for pressure or temperature, without unit and unit_path"
    ]
    (topic,) = load_service(write(folder, text.replace('unit = "degF"\n', ""))).topics
    assert (topic.point, topic.scale.span) == (Point.TEMPERATURE, (0.5, 4.5, "V"))


def test_all_problems_of_all_files_are_told_at_once(folder):
    (folder / "sites" / "b.toml").write_text('id = "b"\n[tank]\nvolume = "0 L"\n')
    (folder / "sites" / "c.toml").write_text("id = = 3")
    (folder / "sites" / "d.toml").write_text('name = "again"\nid = "a"\n')
    text = 'data = "var"\nsites = "sites"\n[broker]\nport = 0\n[[topics]]\ntopic = "a"\n'
    told = [(problem.file.name, problem.line, problem.key) for problem in check_config(write(folder, text))]
    assert told == [
        ("service.toml", 3, "broker.host"),
        ("service.toml", 4, "broker.port"),
        ("service.toml", 5, "topics[0]"),
        ("b.toml", 3, "tank.volume"),
        ("c.toml", 1, ""),
        ("d.toml", 2, "id"),
    ]


def test_files_and_folders_that_are_not_there_are_told(folder):
    (problem,) = check_config(folder / "none.toml")
    assert str(problem) == f"{folder / 'none.toml'}: there is no such file"
    (problem,) = check_config(folder)
    assert "this is a folder" in str(problem)
    assert "holds no settings" in problems(folder, "")[0]
    assert "there is no folder" in problems(folder, LEAST.replace('"sites"', '"nowhere"'))[0]
    assert "is not a folder" in problems(folder, LEAST.replace('"var"', '"secret"'))[0]
    assert "a path in quotes" in problems(folder, LEAST.replace('"var"', "3"))[0]
    (folder / "empty").mkdir()
    (problem,) = check_config(write(folder, LEAST.replace('"sites"', '"empty"')))
    assert "no site file (*.toml)" in str(problem)


def test_one_error_carries_all_problems(folder):
    with pytest.raises(ProblemsError) as caught:
        load_service(write(folder, "[broker]\n"))
    assert [problem.key for problem in caught.value.problems] == ["data", "sites", "broker.host"]
    assert len(str(caught.value).splitlines()) == 3


def test_the_copy_is_off_unless_its_table_is_there(folder):
    assert load_service(write(folder, LEAST)).timeseries is None
    table = '[timeseries]\nurl = "https://db.example.org:8086/"\nbucket = "b"\ntoken_file = "secret"\n'
    loaded = load_service(write(folder, LEAST + table)).timeseries
    assert loaded is not None
    assert (loaded.url, loaded.bucket, loaded.token()) == ("https://db.example.org:8086", "b", "s3cret")
    assert "s3cret" not in repr(loaded)


@pytest.mark.parametrize(
    "url", ["db.example.org", "http://user:pw@db.example.org", "ftp://a", "http://a:x", "http://a/?q=1"]
)
def test_an_address_of_the_copy_with_a_secret_in_it_or_none_at_all_is_refused(folder, url):
    (problem,) = problems(folder, LEAST + f'[timeseries]\nurl = "{url}"\nbucket = "b"\n')
    assert "timeseries.url: read" in problem
    assert "pw" not in problem
    assert "allowed: the address of the database alone" in problem
